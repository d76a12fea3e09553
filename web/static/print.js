"use strict";

// A kiosk has no menu to print by; without script the button stays hidden.
for (const button of document.querySelectorAll("[data-print]")) {
  button.addEventListener("click", () => print());
  button.hidden = false;
}
