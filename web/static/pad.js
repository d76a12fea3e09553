"use strict";

// Digits for a touch screen without a keyboard. They go into the secret that was touched last.

const fields = [...document.querySelectorAll("[data-pad]")];
const pad = document.querySelector(".pad");
let into = fields[0];

for (const field of fields) {
  field.addEventListener("focus", () => { into = field; });
}

pad.addEventListener("click", (event) => {
  const button = event.target.closest("button");
  if (!button) return;
  if (button.dataset.digit) into.value += button.dataset.digit;
  else into.value = into.value.slice(0, -1);
});

pad.hidden = false;
