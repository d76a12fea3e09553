"use strict";

// Follows the bench. The server writes every text; this file only puts it in its place.

const live = document.getElementById("live");
const lost = document.getElementById("lost");
const form = document.getElementById("describe");
const BETWEEN_MS = 120;
const AFTER_FAILURE_MS = 2000;
const WHEN_NOTHING_NEW_MS = 700;

let version = Number(live.dataset.version);
let stage = live.dataset.now;

function pause(milliseconds) {
  return new Promise((resolve) => setTimeout(resolve, milliseconds));
}

function showTexts(texts) {
  for (const row of document.querySelectorAll("[data-row]")) {
    const text = texts[row.dataset.row] || "";
    const output = row.querySelector("output");
    if (output.textContent !== text) output.textContent = text;
    row.hidden = text === "";
  }
}

function showStage(stage) {
  for (const part of document.querySelectorAll("[data-stage]")) {
    part.hidden = !part.dataset.stage.split(" ").includes(stage);
  }
  for (const place of live.querySelectorAll(".steps [data-stage]:not([hidden]) button.big")) {
    place.focus();
  }
}

function showOutcome(state) {
  const badge = document.getElementById("verdict");
  badge.className = `badge large ${state.verdict}`;
  badge.querySelector("use").setAttribute("href", `#mark-${state.verdict || "unfinished"}`);
  const link = document.getElementById("sample-link");
  link.href = `${link.dataset.base}/${encodeURIComponent(state.sample_id)}`;
  for (const button of document.querySelectorAll("button[name=mode]")) {
    button.classList.toggle("suggested", button.value === state.suggested_mode);
  }
}

function show(state) {
  version = state.version;
  showTexts(state.texts);
  showOutcome(state);
  if (state.stage !== stage) {
    stage = state.stage;
    showStage(stage);
  }
}

async function next() {
  const answer = await fetch(`${live.dataset.url}?beyond=${version}`);
  // The sign-in has run out: the page itself leads to signing in again.
  if (answer.status === 401) location.reload();
  if (!answer.ok) throw new Error(`status ${answer.status}`);
  const state = await answer.json();
  // The station was started anew: its forms would refuse what this page sends.
  if (state.started !== live.dataset.started) location.reload();
  return state;
}

async function follow() {
  for (;;) {
    try {
      const state = await next();
      const nothingNew = state.version === version;
      show(state);
      lost.hidden = true;
      await pause(nothingNew ? WHEN_NOTHING_NEW_MS : BETWEEN_MS);
    } catch {
      lost.hidden = false;
      await pause(AFTER_FAILURE_MS);
    }
  }
}

// Only wires that the chosen barrel takes can be chosen; without this file the server says so.
function fitWires() {
  const chosen = form.elements.connector.selectedOptions[0];
  const onPurpose = form.elements.use_wrong_barrel.checked;
  const accepts = chosen && chosen.dataset.accepts && !onPurpose ? chosen.dataset.accepts.split(";") : null;
  for (const select of [form.elements.wire, form.elements.wire2]) {
    for (const option of select.options) {
      option.hidden = option.disabled = Boolean(option.value && accepts && !accepts.includes(option.value));
      if (option.disabled && option.selected) select.value = "";
    }
  }
}

form.elements.connector.addEventListener("change", fitWires);
form.elements.use_wrong_barrel.addEventListener("change", fitWires);
fitWires();
follow();
