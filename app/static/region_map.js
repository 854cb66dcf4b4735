// A region drawn on a wafer's map by mouse, touch or keys: it fills the fields of the form and asks again. Without this script the fields do.
"use strict";

const STEPS = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1], PageUp: [0, -10], PageDown: [0, 10] };
const map = document.getElementById("region-map");

if (map) {
  const frame = Object.fromEntries(["columns", "rows", "left", "top", "right", "down", "pitch", "margin"].map((name) => [name, Number(map.dataset[name])]));
  const picture = map.querySelector("img");
  const layer = map.querySelector(".drawing");
  const told = document.getElementById("region-told");
  const tools = document.getElementById("region-tools");
  const centre = [(frame.columns - 1) / 2, (frame.rows - 1) / 2]; // of the map: what is made in rings lies about it
  let cursor = [Math.floor(frame.columns / 2), Math.floor(frame.rows / 2)];
  let path = null;
  tools.hidden = false;

  const tool = () => tools.querySelector("input:checked").value;
  const die = ([column, row]) => [frame.left + column * frame.right, frame.top + row * frame.down];
  const away = (one, other) => Math.hypot(one[0] - other[0], one[1] - other[1]);
  const inside = (n, most) => Math.max(0, Math.min(most - 1, n));
  const middle = ([column, row]) => [frame.margin + (column + 0.5) * frame.pitch, frame.margin + (row + 0.5) * frame.pitch];

  function placeOf(event) {
    const box = picture.getBoundingClientRect();
    const shown = box.width / (frame.columns * frame.pitch + 2 * frame.margin); // the page may draw it smaller
    const [scale, margin] = [frame.pitch * shown, frame.margin * shown];
    return [inside(Math.floor((event.clientX - box.left - margin) / scale), frame.columns), inside(Math.floor((event.clientY - box.top - margin) / scale), frame.rows)];
  }

  function shape(name, attributes) {
    const one = document.createElementNS("http://www.w3.org/2000/svg", name);
    for (const [key, value] of Object.entries(attributes)) one.setAttribute(key, value);
    layer.append(one);
  }

  function draw() {
    layer.replaceChildren();
    const [x, y] = middle(cursor);
    shape("path", { d: `M${x - 12} ${y}h24M${x} ${y - 12}v24`, class: "cross" });
    if (path) {
      const [a, b] = [middle(path[0]), middle(path[path.length - 1])];
      if (tool() === "rectangle") shape("rect", { x: Math.min(a[0], b[0]) - frame.pitch / 2, y: Math.min(a[1], b[1]) - frame.pitch / 2, width: Math.abs(a[0] - b[0]) + frame.pitch, height: Math.abs(a[1] - b[1]) + frame.pitch });
      else if (tool() === "disc") shape("circle", { cx: a[0], cy: a[1], r: Math.hypot(a[0] - b[0], a[1] - b[1]) });
      else if (tool() === "ring") for (const place of [a, b]) shape("circle", { cx: middle(centre)[0], cy: middle(centre)[1], r: Math.hypot(place[0] - middle(centre)[0], place[1] - middle(centre)[1]) });
      else shape("polyline", { points: path.map((one) => middle(one).join(",")).join(" ") });
    }
    told.textContent = `Die ${die(cursor).join(", ")}${path ? ", from " + die(path[0]).join(", ") : ""}`;
  }

  function finish() {
    const [first, last] = [path[0], path[path.length - 1]];
    const value = { rectangle: "", ring: "", lasso: "" };
    if (tool() === "rectangle") value.rectangle = [...die(first), ...die(last)].join(",");
    else if (tool() === "disc") value.ring = [...die(first), 0, away(first, last).toFixed(1)].join(",");
    else if (tool() === "ring") value.ring = [...die(centre), ...[away(centre, first), away(centre, last)].sort((one, other) => one - other).map((radius) => radius.toFixed(1))].join(",");
    else if (path.length > 2) value.lasso = thinned(path).map((one) => die(one).join(",")).join(" ");
    path = null;
    if (!Object.values(value).some(Boolean)) return draw();
    for (const [name, text] of Object.entries(value)) document.getElementById(name).value = text;
    document.getElementById("rectangle").form.requestSubmit();
  }

  // At most two hundred corners: an address has an end.
  const thinned = (corners) => corners.filter((_, n) => n % Math.ceil(corners.length / 200) === 0);

  map.addEventListener("pointerdown", (event) => {
    event.preventDefault();
    map.focus();
    map.setPointerCapture(event.pointerId);
    cursor = placeOf(event);
    path = [cursor];
    draw();
  });
  map.addEventListener("pointermove", (event) => {
    if (!path || !map.hasPointerCapture(event.pointerId)) return;
    cursor = placeOf(event);
    if (cursor.join() !== path[path.length - 1].join()) path.push(cursor);
    draw();
  });
  map.addEventListener("pointerup", () => path && finish());
  map.addEventListener("keydown", (event) => {
    const step = STEPS[event.key];
    if (event.ctrlKey || event.altKey || event.metaKey || !(step || event.key === " " || event.key === "Enter" || event.key === "Escape")) return;
    event.preventDefault();
    if (step) {
      cursor = [inside(cursor[0] + step[0], frame.columns), inside(cursor[1] + step[1], frame.rows)];
      if (path && tool() !== "lasso") path[1] = cursor;
    } else if (event.key === "Escape") path = null;
    else if (!path) path = [cursor];
    else if (event.key === " " && tool() === "lasso") path.push(cursor);
    else return finish();
    draw();
  });
}
