"use strict";

// A touch anywhere in a drawing shows the values of the nearest sample; without script it leads there.

const panel = document.getElementById("point");
const plots = [...document.querySelectorAll(".plot")];
const points = new Map();
for (const link of plots.flatMap((plot) => [...plot.querySelectorAll("a")])) {
  const address = link.getAttribute("href");
  if (!points.has(address)) points.set(address, []);
  points.get(address).push(link);
}
const across = (link) => Number(link.querySelector("use").getAttribute("x"));
const samples = [...points.keys()].sort((one, other) => across(points.get(one)[0]) - across(points.get(other)[0]));
let at = samples.length - 1;

function show(place) {
  at = Math.min(Math.max(place, 0), samples.length - 1);
  for (const link of document.querySelectorAll(".plot a.shown")) link.classList.remove("shown");
  const links = points.get(samples[at]);
  links.forEach((link) => link.classList.add("shown"));
  const words = links.map((link) => link.querySelector("title").textContent);
  // The time stands once, before the first value.
  panel.querySelector("output").textContent = words.map((text, n) => (n ? text.split(": ").pop() : text)).join("; ");
  panel.querySelector("a").href = samples[at];
  panel.hidden = false;
}

for (const plot of plots) {
  plot.addEventListener("click", (event) => {
    event.preventDefault();
    const box = plot.getBoundingClientRect();
    const x = ((event.clientX - box.left) / box.width) * plot.viewBox.baseVal.width - 5;
    const away = (address) => Math.min(...points.get(address).map((link) => Math.abs(across(link) - x)));
    show(samples.reduce((best, address, n) => (away(address) < away(samples[best]) ? n : best), 0));
  });
}
panel?.addEventListener("click", (event) => {
  const button = event.target.closest("button");
  if (button) show(at + Number(button.value));
});
