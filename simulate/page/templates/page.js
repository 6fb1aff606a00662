"use strict";
(async () => {

// --- the data ---------------------------------------------------------------------------------

const byId = id => document.getElementById(id);
const data = JSON.parse(byId("data").textContent);
const bytes = text => Uint8Array.from(atob(text), letter => letter.charCodeAt(0));

async function inflate(text) {
  const stream = new Blob([bytes(text)]).stream().pipeThrough(new DecompressionStream("deflate-raw"));
  return new Uint8Array(await new Response(stream).arrayBuffer());
}

async function maps(text, size) { // the text holds differences in time, modulo 256
  const steps = await inflate(text);
  for (let k = size; k < steps.length; k++) steps[k] = (steps[k] + steps[k - size]) & 255;
  return steps;
}

const colours = bytes(data.colours);
const runs = await Promise.all(data.runs.map(async run => {
  const size = run.nx * run.ny;
  const [opening, depth, density] =
    await Promise.all([maps(run.open, size), maps(run.depth, size), maps(run.density, size)]);
  return {...run, size, opening, depth, density, ring: middle(run, opening)};
}));

function middle(run, opening) { // the open cell nearest to the middle
  const centre = [run.nx >> 1, run.ny >> 1];
  let best = centre, nearest = Infinity;
  opening.forEach((open, k) => {
    const at = [k % run.nx, Math.floor(k / run.nx)], far = Math.hypot(at[0] - centre[0], at[1] - centre[1]);
    if (open === 255 && far < nearest) { nearest = far; best = at; }
  });
  return best;
}

const moments = [...new Set(runs.flatMap(run => run.times))].sort((a, b) => a - b);
const kinds = {
  depth: {word: "depth", unit: "µm", full: data.depth * 1e6, count: run => run.depths},
  density: {word: "current density", unit: "A/cm²", full: data.density * 1e-4, count: run => run.moments},
};

// --- what is chosen ---------------------------------------------------------------------------

const time = byId("time"), line = byId("line"), play = byId("play"), clock = byId("clock");
const chosen = name => document.querySelector(`input[name=${name}]:checked`).value;
const kindShown = () => kinds[chosen("what")];
const now = () => moments[+time.value];

function momentOf(run) { // the last kept moment that is not after the clock
  let last = 0;
  run.times.forEach((t, k) => { if (t <= now()) last = k; });
  return last;
}

function frame(run, name) {
  return Math.min(momentOf(run), kinds[name].count(run) - 1) * run.size;
}

const value = (run, name, cell) => run[name][frame(run, name) + cell] * kinds[name].full / data.steps;
const along = () => chosen("way") === "along";
const lineCell = run => Math.round(+line.value / +line.max * ((along() ? run.ny : run.nx) - 1));
const xOf = (run, i) => run.left + (i + .5) * run.cell;
const yOf = (run, j) => run.bottom + (j + .5) * run.cell;
const digits = number => number.toFixed(number >= 100 ? 0 : number >= 10 ? 1 : number >= .995 ? 2 : 3);
const paint = name => getComputedStyle(document.documentElement).getPropertyValue(`--${name}`).trim();

// --- drawing ----------------------------------------------------------------------------------

const small = document.createElement("canvas"); // one pixel a cell

function drawCells(run) {
  const name = chosen("what"), from = frame(run, name), steps = run[name];
  small.width = run.nx; small.height = run.ny;
  const pen = small.getContext("2d");
  const blank = [1, 3, 5].map(k => parseInt(paint("blank").slice(k, k + 2), 16));
  const picture = pen.createImageData(run.nx, run.ny);
  for (let j = 0; j < run.ny; j++) {
    for (let i = 0; i < run.nx; i++) {
      const cell = j * run.nx + i, at = ((run.ny - 1 - j) * run.nx + i) * 4;
      const part = run.opening[cell] / data.steps, colour = steps[from + cell] * 3;
      for (let c = 0; c < 3; c++) picture.data[at + c] = part * colours[colour + c] + (1 - part) * blank[c];
      picture.data[at + 3] = 255;
    }
  }
  pen.putImageData(picture, 0, 0);
}

function drawMap(n) {
  const run = runs[n], canvas = byId(`map${n}`), pen = canvas.getContext("2d");
  const scale = Math.max(1, Math.round(1400 / run.nx));
  const width = run.nx * scale, height = run.ny * scale;
  if (canvas.width !== width || canvas.height !== height) { canvas.width = width; canvas.height = height; }
  drawCells(run);
  pen.imageSmoothingEnabled = false;
  pen.drawImage(small, 0, 0, width, height);
  const X = x => (x - run.left) / run.cell * scale, Y = y => height - (y - run.bottom) / run.cell * scale;
  const thin = width / 700;
  function trace(points, wide, dash = []) { // dark on a pale edge: seen on any colour
    pen.lineJoin = "round";
    for (const [look, extra, pattern] of [["#ffffff", 2 * thin, []], ["#23262b", 0, dash]]) {
      pen.strokeStyle = look; pen.lineWidth = wide + extra; pen.setLineDash(pattern);
      pen.beginPath(); points.forEach(([x, y]) => pen.lineTo(X(x), Y(y))); pen.stroke();
    }
    pen.setLineDash([]);
  }
  const closed = points => [...points, points[0]];
  pen.strokeStyle = paint("ink"); pen.lineWidth = thin;
  for (const ring of run.rings) { pen.beginPath(); ring.forEach(([x, y]) => pen.lineTo(X(x), Y(y))); pen.closePath(); pen.stroke(); }
  const [sx, sy] = run.swab[momentOf(run)];
  trace(closed(run.contact.map(([x, y]) => [x + sx, y + sy])), 2.4 * thin, [10 * thin, 6 * thin]);
  const cell = lineCell(run), right = run.left + run.nx * run.cell, top = run.bottom + run.ny * run.cell;
  trace(along() ? [[run.left, yOf(run, cell)], [right, yOf(run, cell)]] : [[xOf(run, cell), run.bottom], [xOf(run, cell), top]], 1.4 * thin);
  const turn = [...Array(33).keys()].map(k => k * Math.PI / 16), radius = 9 * thin / scale * run.cell;
  trace(turn.map(a => [xOf(run, run.ring[0]) + radius * Math.cos(a), yOf(run, run.ring[1]) + radius * Math.sin(a)]), 2.2 * thin);
  const kind = kindShown();
  canvas.setAttribute("aria-label", `Map of ${run.title}: ${kind.word} after ${run.times[momentOf(run)]} s, ${digits(mean(run))} ${kind.unit} on average over the openings`);
}

function mean(run) {
  let total = 0, weight = 0;
  const name = chosen("what"), from = frame(run, name);
  for (let k = 0; k < run.size; k++) { total += run.opening[k] * run[name][from + k]; weight += run.opening[k]; }
  return total / weight * kinds[name].full / data.steps;
}

function round(number) { // the least of 1, 2, 5 times a power of ten that is not below it
  const power = 10 ** Math.floor(Math.log10(number));
  return [1, 2, 5, 10].find(v => v * power >= number * .999) * power;
}

function ticks(full, most) { // round numbers from 0 to at most full
  const step = round(full / most);
  return [...Array(Math.floor(full / step * 1.001) + 1).keys()].map(k => +(k * step).toPrecision(6));
}

function drawScale(n) { // the colours, and a bar of a round length in the measure of the map
  const run = runs[n], canvas = byId(`scale${n}`), pen = canvas.getContext("2d"), kind = kindShown();
  const left = 24, width = 896;
  canvas.width = 1400; canvas.height = 96;
  for (let k = 0; k < 256; k++) {
    pen.fillStyle = `rgb(${colours[3 * k]}, ${colours[3 * k + 1]}, ${colours[3 * k + 2]})`;
    pen.fillRect(left + k * width / 256, 8, width / 256 + 1, 34);
  }
  pen.fillStyle = paint("ink"); pen.font = "31px system-ui, sans-serif"; pen.textAlign = "center"; pen.textBaseline = "top";
  for (const v of kind.full ? ticks(kind.full, 5) : [0]) {
    const at = left + (kind.full ? v / kind.full : 0) * width;
    pen.fillRect(at - 1, 42, 2, 8); pen.fillText(`${v}`, at, 54);
  }
  pen.textAlign = "left"; pen.textBaseline = "middle"; pen.fillText(kind.unit, left + width + 16, 25);
  const wide = run.nx * run.cell, length = round(wide / 8), long = length / wide * 1400;
  pen.fillRect(1400 - long, 20, long, 8);
  pen.textAlign = "right"; pen.textBaseline = "top"; pen.fillText(`${+length.toPrecision(3)} mm`, 1400, 40);
  canvas.setAttribute("aria-label", `Colour scale of ${kind.word}, from 0 to ${digits(kind.full)} ${kind.unit}`);
}

function drawCut(n) { // depth downwards, current density upwards
  const run = runs[n], canvas = byId(`cut${n}`), pen = canvas.getContext("2d"), kind = kindShown(), name = chosen("what");
  const cell = lineCell(run), count = along() ? run.nx : run.ny, first = along() ? run.left : run.bottom;
  const left = 118, right = 1370, top = 22, bottom = 318, down = name === "depth";
  canvas.width = 1400; canvas.height = 420;
  const X = s => left + (s - first) / (count * run.cell) * (right - left);
  const part = v => kind.full ? v / kind.full * (bottom - top) : 0;
  const Y = v => down ? top + part(v) : bottom - part(v);
  pen.strokeStyle = paint("line"); pen.lineWidth = 2; pen.fillStyle = paint("ink");
  pen.font = "30px system-ui, sans-serif"; pen.textAlign = "right"; pen.textBaseline = "middle";
  for (const v of kind.full ? ticks(kind.full, 4) : [0]) {
    pen.beginPath(); pen.moveTo(left, Y(v)); pen.lineTo(right, Y(v)); pen.stroke();
    pen.fillText(`${v}`, left - 12, Y(v));
  }
  pen.textAlign = "center"; pen.textBaseline = "top";
  const tick = round(count * run.cell / 8);
  for (let s = Math.ceil(first / tick) * tick; s <= first + count * run.cell; s += tick) {
    pen.beginPath(); pen.moveTo(X(s), bottom); pen.lineTo(X(s), bottom + 8); pen.stroke();
    pen.fillText(`${+s.toFixed(1)}`, X(s), bottom + 12);
  }
  pen.strokeStyle = paint("ink"); pen.lineWidth = 4; pen.lineJoin = "round"; pen.beginPath();
  let joined = false, highest = 0;
  for (let k = 0; k < count; k++) {
    const place = along() ? cell * run.nx + k : k * run.nx + cell, open = run.opening[place] > 127;
    if (open) {
      const v = value(run, name, place), x = X(first + (k + .5) * run.cell);
      highest = Math.max(highest, v);
      if (joined) pen.lineTo(x, Y(v)); else { pen.moveTo(x, Y(v)); pen.lineTo(x + 1, Y(v)); }
    }
    joined = open;
  }
  pen.stroke();
  const where = along() ? `y = ${yOf(run, cell).toFixed(2)} mm` : `x = ${xOf(run, cell).toFixed(2)} mm`;
  pen.fillText(`${kind.word} (${kind.unit}) against ${along() ? "x" : "y"} (mm), at ${where}`, (left + right) / 2, bottom + 56);
  canvas.setAttribute("aria-label", `Profile of ${run.title} at ${where}: ${kind.word} up to ${digits(highest)} ${kind.unit}`);
  if (n === 0) line.setAttribute("aria-valuetext", where);
}

function read(n) {
  const run = runs[n], [i, j] = run.ring, cell = j * run.nx + i, moment = momentOf(run), text = byId(`reading${n}`);
  const depth = value(run, "depth", cell), density = value(run, "density", cell);
  const place = `x ${xOf(run, i).toFixed(2)}, y ${yOf(run, j).toFixed(2)} mm, after ${run.times[moment]} s`;
  Object.assign(text.dataset, {i, j, moment, depth, density});
  const when = run.depths === 1 && run.moments > 1 ? "deep in the end" : "deep";
  text.textContent = run.opening[cell]
    ? `At ${place}: ${digits(depth)} µm ${when}, ${digits(density)} A/cm² now (${run.current[moment]} A in all).`
    : `At ${place}: under the mask (${run.current[moment]} A in all).`;
}

function drawRun(n) { drawMap(n); drawScale(n); drawCut(n); read(n); }

function draw() {
  clock.textContent = `${now()} s`;
  time.setAttribute("aria-valuetext", clock.textContent);
  runs.forEach((_, n) => drawRun(n));
}

// --- hands ------------------------------------------------------------------------------------

const held = (k, count) => Math.min(count - 1, Math.max(0, k));

function moveRing(n, i, j) {
  runs[n].ring = [held(i, runs[n].nx), held(j, runs[n].ny)];
  drawMap(n); read(n);
}

function layLine(n) {
  const run = runs[n], [k, count] = along() ? [run.ring[1], run.ny] : [run.ring[0], run.nx];
  line.value = Math.round(k / (count - 1) * +line.max);
  draw();
}

runs.forEach((run, n) => {
  const canvas = byId(`map${n}`);
  const point = event => {
    const box = canvas.getBoundingClientRect();
    const i = Math.floor((event.clientX - box.left) / box.width * run.nx);
    moveRing(n, i, run.ny - 1 - Math.floor((event.clientY - box.top) / box.height * run.ny));
  };
  canvas.addEventListener("pointermove", point);
  canvas.addEventListener("pointerdown", event => { point(event); layLine(n); });
  canvas.addEventListener("keydown", event => {
    const step = event.shiftKey ? 10 : 1, [i, j] = run.ring;
    const goal = {ArrowLeft: [i - step, j], ArrowRight: [i + step, j], ArrowUp: [i, j + step], ArrowDown: [i, j - step]}[event.key];
    if (event.key === "Enter") layLine(n);
    else if (goal) moveRing(n, ...goal);
    else return;
    event.preventDefault();
  });
});

let ticking = 0;
function pause() {
  clearInterval(ticking); ticking = 0;
  play.textContent = "Play";
  runs.forEach((_, n) => byId(`reading${n}`).setAttribute("aria-live", "polite"));
}

function tick() {
  if (+time.value >= +time.max) { pause(); return; }
  time.value = +time.value + 1;
  draw();
}

play.addEventListener("click", () => {
  if (ticking) { pause(); return; }
  if (time.value === time.max) { time.value = 0; draw(); }
  play.textContent = "Pause";
  runs.forEach((_, n) => byId(`reading${n}`).setAttribute("aria-live", "off")); // not at every tick
  ticking = setInterval(tick, 350);
});
for (const slider of [time, line]) slider.addEventListener("input", draw);
document.querySelectorAll("input[type=radio]").forEach(button => button.addEventListener("change", draw));
matchMedia("(prefers-color-scheme: dark)").addEventListener("change", draw);
matchMedia("print").addEventListener("change", draw); // paper is white whatever the screen is
addEventListener("beforeprint", () => document.querySelectorAll("details").forEach(one => { one.open = true; }));

time.max = moments.length - 1;
time.value = time.max;
play.disabled = false;
document.querySelector(`input[name=way][value=${data.line.way}]`).checked = true;
line.value = Math.round(data.line.at * +line.max);
draw();
document.body.dataset.ready = "yes";
})();
