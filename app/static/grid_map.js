// Maps of places without a round trip a touch. Without this script a touch, the form and the links do the same.
"use strict";

const STEPS = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1], PageUp: [0, -10], PageDown: [0, 10] };
const chosen = document.getElementById("chosen");
let asking = 0;

// A touch says where it was in the page's own pixels, so only with this script may the whole map be drawn smaller to fit the screen.
for (const map of document.querySelectorAll(".grid-map")) if (map.querySelector("[name=at]")) map.classList.add("fits");

// The mapping of app/drawing/grid_frame.py, from the data attributes.
function numbers(map) {
  const frame = {};
  for (const name of ["columns", "rows", "left", "top", "right", "down", "pitch", "margin"]) frame[name] = Number(map.dataset[name]);
  return frame;
}
function at(frame, column, row) {
  return [frame.left + column * frame.right, frame.top + row * frame.down];
}
function columnRow(frame, [x, y]) {
  return [(x - frame.left) * frame.right, (y - frame.top) * frame.down];
}
function has(frame, column, row) {
  return column >= 0 && column < frame.columns && row >= 0 && row < frame.rows;
}
function placeOf(map) {
  return map.dataset.x === undefined ? null : [Number(map.dataset.x), Number(map.dataset.y)];
}

function choose(map, place) {
  for (const one of document.querySelectorAll(".grid-map")) {
    const frame = numbers(one);
    const [column, row] = columnRow(frame, place);
    [one.dataset.x, one.dataset.y] = place;
    for (const line of one.querySelectorAll(".cursor")) {
      line.setAttribute("x", has(frame, column, row) ? frame.margin + column * frame.pitch - 3 : -99);
      line.setAttribute("y", has(frame, column, row) ? frame.margin + row * frame.pitch - 3 : -99);
    }
  }
  const names = map.dataset.names.split(" ");
  const address = new URL(location.href);
  names.forEach((name, n) => address.searchParams.set(name, place[n]));
  address.hash = "";
  history.replaceState(null, "", address);
  for (const [n, name] of names.entries()) for (const field of document.querySelectorAll(`form [name="${name}"]`)) field.value = place[n];
  clearTimeout(asking);
  asking = setTimeout(ask, 120, address.search);
}

// What the server says of the place. A close-up that had the focus gives it to the one that comes in its stead.
async function ask(query) {
  const answer = await fetch(chosen.dataset.look + query, { headers: { Accept: "text/html" } });
  if (!answer.ok || answer.redirected || new URL(location.href).search !== query) return;
  const hadFocus = chosen.contains(document.activeElement);
  chosen.innerHTML = await answer.text();
  if (hadFocus) chosen.querySelector("input[type=image]")?.focus();
}

document.addEventListener("click", (event) => {
  const map = event.target.closest("input[type=image]")?.closest(".grid-map");
  if (!map) return;
  event.preventDefault();
  if (event.detail === 0) return; // Enter on the button: see below
  const frame = numbers(map);
  const box = event.target.getBoundingClientRect();
  const scale = (frame.columns * frame.pitch + 2 * frame.margin) / box.width; // a whole map is drawn smaller where the screen is
  const [column, row] = [event.clientX - box.left, event.clientY - box.top].map((side) => Math.floor((side * scale - frame.margin) / frame.pitch));
  if (has(frame, column, row)) choose(map, at(frame, column, row));
});

document.addEventListener("keydown", (event) => {
  const map = event.target.closest?.("input[type=image]")?.closest(".grid-map");
  if (!map || event.ctrlKey || event.altKey || event.metaKey) return;
  if (event.key === "Enter") {
    event.preventDefault();
    chosen.querySelector("[data-goes]")?.click();
    return;
  }
  const step = STEPS[event.key];
  if (!step) return;
  event.preventDefault();
  const whole = numbers(document.querySelector(".grid-map"));
  const place = placeOf(map) ?? at(whole, Math.floor(whole.columns / 2), Math.floor(whole.rows / 2));
  const [column, row] = columnRow(whole, place);
  const next = [Math.max(0, Math.min(whole.columns - 1, column + step[0])), Math.max(0, Math.min(whole.rows - 1, row + step[1]))];
  choose(map, at(whole, ...next));
});
