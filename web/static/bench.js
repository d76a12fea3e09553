"use strict";

// Follows the bench. The server writes every text; this file only puts it in its place.

const live = document.getElementById("live");
const lost = document.getElementById("lost");
const form = document.getElementById("describe");
const BETWEEN_MS = 120;
const AFTER_FAILURE_MS = 2000;
const WHEN_NOTHING_NEW_MS = 700;
const MOST_POINTS = 3000;
const SHORTEST_S = 3;

let version = Number(live.dataset.version);
let stage = live.dataset.now;

function pause(milliseconds) {
  return new Promise((resolve) => setTimeout(resolve, milliseconds));
}

function showTexts(texts, english) {
  for (const row of document.querySelectorAll("[data-row]")) {
    const text = texts[row.dataset.row] || "";
    // A button is named by its text; by some readers not by an output in it.
    const output = row.querySelector("output, .said");
    const parts = english[row.dataset.row] || [[text, true]];
    if (output.textContent !== text) output.replaceChildren(...parts.map(stretch));
    row.hidden = text === "";
  }
}

// What stays English says so, for those who have it read to them.
function stretch([text, known]) {
  if (known) return document.createTextNode(text);
  const part = document.createElement("span");
  part.lang = "en";
  part.textContent = text;
  return part;
}

function showStage(stage) {
  for (const part of document.querySelectorAll("[data-stage]")) {
    part.hidden = !part.dataset.stage.split(" ").includes(stage);
  }
  focusNext();
}

// One key goes on, also after the page itself was loaded by the step before.
function focusNext() {
  // To say that all is as it should be takes more than one key: what is asked comes first.
  const asked = live.querySelector("[data-stage]:not([hidden]) > .questions");
  if (asked) return asked.focus();
  // Where several answers wait, none is chosen: the next tab reaches the first.
  const now = ".steps [data-stage]:not([hidden])";
  const size = live.querySelector(`${now} input[inputmode]`);
  if (size) return size.focus();
  for (const place of live.querySelectorAll(`${now} button.big, ${now} .modes`)) {
    place.focus();
  }
}

function showOutcome(state) {
  const badge = document.getElementById("verdict");
  badge.className = `badge large ${state.verdict}`;
  badge.querySelector("use").setAttribute("href", `#mark-${state.verdict || "unfinished"}`);
  document.getElementById("why").open = state.verdict !== "pass";
  const link = document.getElementById("sample-link");
  link.href = `${link.dataset.base}/${encodeURIComponent(state.sample_id)}`;
  for (const button of document.querySelectorAll("button[name=mode]")) {
    button.classList.toggle("suggested", button.value === state.suggested_mode);
  }
}

// Two tones, for who looks elsewhere: up where it passes, down where it fails, else the same twice.
const TONES_HZ = { pass: [660, 990], fail: [440, 220] };
const TONE_S = 0.25;

function sound(verdict) {
  const speaker = new AudioContext();
  (TONES_HZ[verdict] || [440, 440]).forEach((frequency, place) => {
    const tone = new OscillatorNode(speaker, { frequency });
    tone.connect(speaker.destination);
    tone.start(speaker.currentTime + place * TONE_S);
    tone.stop(speaker.currentTime + (place + 1) * TONE_S);
  });
}

// Once for each sample, whether the verdict comes to an open page or with a new one.
function soundOutcome(state) {
  if (live.dataset.sound !== "tones") return;
  const waiting = sessionStorage.getItem("waiting");
  if (state.stage !== "done") sessionStorage.setItem("waiting", state.stage === "idle" ? "" : "yes");
  else if (waiting) {
    sessionStorage.removeItem("waiting");
    sound(state.verdict);
  }
}

function show(state) {
  version = state.version;
  showTexts(state.texts, state.english);
  showOutcome(state);
  if (state.stage !== stage) {
    stage = live.dataset.now = state.stage;
    showStage(stage);
  }
}

function took(state) {
  // The station was started anew: its forms would refuse what this page sends.
  if (state.started !== live.dataset.started) location.reload();
  // Another page took up a sample: its joint is drawn and asked about by the server.
  // What a job goes on with is worked out by the server too.
  const ended = state.stage === "done" && stage !== "done" && live.dataset.job;
  if (ended || state.stage === "clip_on" && state.taken !== Number(live.dataset.taken)) location.replace(location.pathname);
  else soundOutcome(state);
  show(state);
  lost.hidden = true;
}

async function ask() {
  const answer = await fetch(`${live.dataset.url}?beyond=${version}`);
  // The sign-in has run out: the page itself leads to signing in again.
  if (answer.status === 401) location.reload();
  if (!answer.ok) throw new Error(`status ${answer.status}`);
  return answer.json();
}

// Where the stream is not to be had: ask again and again.
async function askAgainAndAgain() {
  for (;;) {
    try {
      const state = await ask();
      const nothingNew = state.version === version;
      took(state);
      await pause(nothingNew ? WHEN_NOTHING_NEW_MS : BETWEEN_MS);
    } catch {
      lost.hidden = false;
      await pause(AFTER_FAILURE_MS);
    }
  }
}

function follow() {
  const stream = new EventSource(live.dataset.events);
  stream.addEventListener("message", (event) => {
    const state = JSON.parse(event.data);
    took(state);
    curve.take(state);
  });
  stream.addEventListener("error", () => {
    // The browser itself tries again, unless the station refused the stream.
    if (stream.readyState === EventSource.CLOSED) askAgainAndAgain();
    else lost.hidden = false;
  });
}

// The force as it grows, with the force to reach.
const curve = {
  canvas: document.getElementById("curve"),
  points: [],
  limit: null,

  take(state) {
    if (state.anew) this.points = [];
    this.limit = state.limit_n;
    if (!state.points.length && !state.anew) return;
    this.points.push(...state.points);
    if (this.points.length > MOST_POINTS) this.points = this.thinned();
    this.canvas.hidden = this.points.length < 2;
    requestAnimationFrame(() => this.draw());
  },

  // Of every four points the lowest and the highest stay.
  thinned() {
    const kept = [];
    for (let first = 0; first < this.points.length; first += 4) {
      const four = this.points.slice(first, first + 4);
      const low = four.reduce((a, b) => (b[1] < a[1] ? b : a));
      const high = four.reduce((a, b) => (b[1] > a[1] ? b : a));
      kept.push(...(low[0] < high[0] ? [low, high] : low === high ? [low] : [high, low]));
    }
    return kept;
  },

  draw() {
    // A pull that has only begun has no points yet.
    if (!this.points.length) return;
    const canvas = this.canvas;
    const scale = window.devicePixelRatio || 1;
    const width = (canvas.width = canvas.clientWidth * scale);
    const height = (canvas.height = canvas.clientHeight * scale);
    const style = getComputedStyle(canvas);
    const pen = canvas.getContext("2d");
    const peak = this.points.reduce((most, point) => Math.max(most, point[1]), 0);
    const top = 1.15 * Math.max(peak, this.limit || 0, 1);
    const end = Math.max(this.points[this.points.length - 1][0], SHORTEST_S);
    const x = (seconds) => (seconds / end) * width;
    const y = (newton) => height - (Math.max(newton, 0) / top) * height;
    pen.font = `${15 * scale}px sans-serif`;
    if (this.limit) {
      pen.strokeStyle = pen.fillStyle = style.getPropertyValue("--fail");
      pen.lineWidth = 2 * scale;
      pen.setLineDash([8 * scale, 6 * scale]);
      pen.beginPath();
      pen.moveTo(0, y(this.limit));
      pen.lineTo(width, y(this.limit));
      pen.stroke();
      pen.fillText(canvas.dataset.limit, 6 * scale, y(this.limit) - 6 * scale);
    }
    pen.setLineDash([]);
    pen.strokeStyle = style.getPropertyValue("--ink");
    pen.lineWidth = 2.5 * scale;
    pen.beginPath();
    this.points.forEach((point, place) => {
      if (place) pen.lineTo(x(point[0]), y(point[1]));
      else pen.moveTo(x(point[0]), y(point[1]));
    });
    pen.stroke();
  },
};

// Only wires that the chosen connector may hold can be chosen; the server says whether they fit together.
function fitWires() {
  const chosen = form.elements.connector.selectedOptions[0];
  const onPurpose = form.elements.use_wrong_barrel.checked;
  const holds = chosen && chosen.dataset.holds && !onPurpose ? chosen.dataset.holds.split(";") : null;
  for (const select of [form.elements.wire, form.elements.wire2]) {
    for (const option of select.options) {
      option.hidden = option.disabled = Boolean(option.value && holds && !holds.includes(option.value));
      if (option.disabled && option.selected) select.value = "";
    }
  }
}

form.elements.connector.addEventListener("change", fitWires);
form.elements.use_wrong_barrel.addEventListener("change", fitWires);
fitWires();
focusNext();
if (stage !== "done") soundOutcome({ stage });
follow();
