"use strict";

// A scanner types like a keyboard: our prefix, a code, Enter. From the prefix on no key reaches the
// page, wherever the person stands; what the prefix itself did to a field is undone.

const PREFIX = "CRIMP.";
const LONGEST = 60;
const LONGEST_PAUSE_MS = 2000;

const said = document.getElementById("scanned");
let typed = "";
let last = 0;
let before = null;

function shown(part) {
  return part && !part.disabled && part.getClientRects().length > 0;
}

function tell(words) {
  said.textContent = words;
  said.hidden = words === "";
}

function first(selector) {
  return [...document.querySelectorAll(selector)].find(shown);
}

// What the page asks for next: its large button, else its only one that is not quiet.
function next() {
  const large = first("main button.big, main a.button.big");
  if (large) return large;
  const all = [...document.querySelectorAll("main button:not(.quiet)")].filter(shown);
  return all.length === 1 ? all[0] : undefined;
}

// All as it should be: every question of the form that nobody has answered yet is good.
function allGood(form) {
  for (const good of form ? form.querySelectorAll("input[type=radio][value=good]") : []) {
    if (![...form.elements[good.name]].some((one) => one.checked)) good.checked = true;
  }
}

// Presses or fills what the label answers on this page; false where nothing asks for it.
function answer(label) {
  const value = CSS.escape(label.value);
  if (label.kind === "A") {
    const button = label.value === "go" ? next() : first(`button[name=mode][value="${value}"]`);
    if (button && label.value === "go") allGood(button.form);
    if (button) button.click();
    return Boolean(button);
  }
  if (label.kind === "P") {
    const button = first(`main button[name=person][value="${value}"]`);
    const option = [...document.querySelectorAll("main select[name=person] option")]
      .find((one) => one.value === label.value);
    if (button) button.click();
    else if (option) option.selected = true;
    return Boolean(button || option);
  }
  const field = document.activeElement;
  if (label.kind !== "L" || !field.matches("main input:not([type]), main input[type=text]")) return null;
  field.value = label.value;
  return true;
}

async function scan(code) {
  let label;
  try {
    const reply = await fetch(`${said.dataset.address}?code=${encodeURIComponent(code)}`);
    label = await reply.json();
  } catch {
    return tell(said.dataset.failed);
  }
  tell(label.words);
  if (label.kind === "") return;
  const answered = answer(label);
  if (answered === false) tell(`${label.words} ${said.dataset.nothing}`);
  else if (answered === null && label.go) location.assign(label.go);
}

function restore() {
  if (before && "value" in before.field) before.field.value = before.value;
  before = null;
}

document.addEventListener("keydown", (event) => {
  if (event.ctrlKey || event.altKey || event.metaKey || event.isComposing) return;
  if (event.timeStamp - last > LONGEST_PAUSE_MS) typed = "";
  const within = typed.startsWith(PREFIX);
  if (event.key === "Enter" && within) {
    event.preventDefault();
    event.stopPropagation();
    const code = typed;
    typed = "";
    scan(code);
    return;
  }
  if (event.key.length !== 1) return;
  last = event.timeStamp;
  if (within) {
    event.preventDefault();
    event.stopPropagation();
    typed = (typed + event.key.toUpperCase()).slice(0, LONGEST);
    return;
  }
  const longer = typed + event.key.toUpperCase();
  typed = PREFIX.startsWith(longer) ? longer : PREFIX.startsWith(event.key.toUpperCase()) ? PREFIX[0] : "";
  if (typed.length === 1) before = { field: document.activeElement, value: document.activeElement.value };
  if (typed === PREFIX) {
    event.preventDefault();
    restore();
  }
}, true);
