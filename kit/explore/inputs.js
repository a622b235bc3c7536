// A slider that speaks the words of its place, a list whose arrow keys the notebook leaves alone, a part that is read aloud when it changes, and taps that are marked by click or key.
// Each widget may load this file anew, so that a count would not tell them apart.
const fresh = (name) => `${name}-${Math.random().toString(36).slice(2)}`;

function node(kind, given, inside) {
  const svg = ["svg", "g", "path", "circle", "rect", "title"].includes(kind);
  const out = svg ? document.createElementNS("http://www.w3.org/2000/svg", kind) : document.createElement(kind);
  for (const [name, value] of Object.entries(given || {})) out.setAttribute(name, value);
  for (const one of inside || []) out.append(one);
  return out;
}

function slider(model, el) {
  const id = fresh("skin-slider");
  const label = node("label", { for: id, style: "display:inline-block;width:15em;flex:none" });
  const input = node("input", { id, type: "range", min: 0, step: 1, style: "width:20em;flex:none" });
  const told = node("span", { id: fresh("skin-words"), style: "margin-left:0.6em;font-weight:bold;flex:1" });
  input.setAttribute("aria-describedby", told.id);
  const words = () => model.get("options")[Number(input.value)] ?? "";
  const tell = () => { told.textContent = words(); input.setAttribute("aria-valuetext", words()); };
  const update = () => {
    label.textContent = model.get("label");
    input.max = Math.max(model.get("options").length - 1, 0);
    input.value = model.get("index");
    input.disabled = model.get("options").length < 2;
    tell();
  };
  input.addEventListener("input", tell);
  input.addEventListener("change", () => { tell(); model.set("index", Number(input.value)); model.save_changes(); });
  for (const name of ["options", "index", "label"]) model.on(`change:${name}`, update);
  update();
  // Long words break within their own column, not under the label.
  el.append(node("div", { style: "padding:2px 0;display:flex;align-items:center" }, [label, input, told]));
}

function choice(model, el) {
  const id = fresh("skin-choice");
  const label = node("label", { for: id, style: "display:inline-block;min-width:15em" });
  const input = node("select", { id, style: "max-width:44em" });
  const update = () => {
    label.textContent = model.get("label");
    input.replaceChildren(...model.get("options").map((words) => node("option", {}, [words])));
    input.selectedIndex = model.get("index");
  };
  input.addEventListener("change", () => { model.set("index", input.selectedIndex); model.save_changes(); });
  for (const name of ["options", "index", "label"]) model.on(`change:${name}`, update);
  update();
  el.append(node("div", { style: "padding:2px 0" }, [label, input]));
}

function spoken(model, el) {
  // The region stays and its text changes: only then is a change read aloud.
  const words = node("div", { role: "status", "aria-live": "polite", style: "line-height:1.4" });
  const drawn = node("div", {});
  const update = () => { words.innerHTML = model.get("words"); drawn.innerHTML = model.get("drawn"); el.dataset.moves = model.get("moves"); };
  for (const name of ["words", "drawn", "moves"]) model.on(`change:${name}`, update);
  update();
  el.append(words, drawn);
}

const SAYS = ["not tapped", "clear", "dull"];

function taps(model, el) {
  const points = model.get("points"), pitch = model.get("pitch"), [left, low, right, high] = model.get("bounds");
  const room = pitch, wide = right - left + 2 * room, tall = high - low + 2 * room;
  const svg = node("svg", {
    viewBox: `${left - room} ${-high - room} ${wide} ${tall}`, tabindex: 0, role: "application",
    "aria-label": model.get("label"), style: "width:100%;max-width:860px;max-height:520px;touch-action:manipulation",
  });
  const panel = node("g", { transform: "scale(1,-1)" });
  svg.append(panel);
  const under = node("g", {}); under.innerHTML = model.get("under");
  const region = node("g", {});
  const marks = node("g", {});
  const cursor = node("circle", { r: 0.42 * pitch, fill: "none", stroke: "black", "stroke-width": 0.1 * pitch });
  panel.append(under, region, marks, cursor);
  const size = 0.22 * pitch;
  const shapes = [
    () => node("path", { d: `M${-size / 2},0h${size}M0,${-size / 2}v${size}`, stroke: "#777", "stroke-width": 0.04 * pitch, fill: "none" }),
    () => node("circle", { r: size * 0.8, fill: "white", stroke: "black", "stroke-width": 0.06 * pitch }),
    () => node("path", { d: `M${-size},${-size}h${2 * size}v${2 * size}h${-2 * size}zM${-size},${-size}l${2 * size},${2 * size}M${-size},${size}l${2 * size},${-2 * size}`, stroke: "black", "stroke-width": 0.08 * pitch, fill: "#e0a090" }),
  ];
  const place = new Map(), key = (i, j) => `${i},${j}`;
  const cells = points.map(([x, y]) => [Math.round((x - points[0][0]) / pitch), Math.round((y - points[0][1]) / pitch)]);
  cells.forEach(([i, j], k) => place.set(key(i, j), k));
  let state = [...model.get("marks")], at = 0, shown = [];
  const holders = points.map(([x, y]) => { const one = node("g", { transform: `translate(${x},${y})` }); marks.append(one); return one; });
  const show = (k) => { if (shown[k] !== state[k]) { holders[k].replaceChildren(shapes[state[k]]()); shown[k] = state[k]; } };
  const live = node("div", { role: "status", "aria-live": "assertive", style: "min-height:1.4em" });
  const speak = () => {
    const [x, y] = points[at];
    cursor.setAttribute("cx", x); cursor.setAttribute("cy", y);
    live.textContent = `${x.toFixed(0)} mm forward, ${y.toFixed(0)} mm up: ${SAYS[state[at]]}`;
  };
  const mark = (k, value) => { state[k] = value; show(k); model.set("marks", [...state]); model.save_changes(); };
  const go = (di, dj) => {
    let [i, j] = cells[at];
    for (let n = 0; n < 400; n++) { i += di; j += dj; if (place.has(key(i, j))) { at = place.get(key(i, j)); break; } }
    speak();
  };
  const ways = { ArrowRight: [1, 0], ArrowLeft: [-1, 0], ArrowUp: [0, 1], ArrowDown: [0, -1] };
  const values = { " ": null, Enter: null, d: 2, c: 1, u: 0 };
  svg.addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.altKey || event.metaKey) return;
    if (event.key in ways) go(...ways[event.key]);
    else if (event.key in values) { const to = values[event.key]; mark(at, to === null ? (state[at] === 2 ? 1 : 2) : to); speak(); }
    else return;
    event.preventDefault(); event.stopPropagation();
  });
  svg.addEventListener("click", (event) => {
    const box = panel.getScreenCTM().inverse();
    const p = new DOMPoint(event.clientX, event.clientY).matrixTransform(box);
    let best = Infinity, k = 0;
    points.forEach(([x, y], n) => { const far = (x - p.x) ** 2 + (y - p.y) ** 2; if (far < best) { best = far; k = n; } });
    at = k; svg.focus();
    if (best < pitch * pitch) mark(k, state[k] === 2 ? 1 : 2);
    speak();
  });
  svg.addEventListener("focus", () => { svg.style.outline = "3px solid #005fcc"; speak(); });
  svg.addEventListener("blur", () => { svg.style.outline = "none"; });
  const draw = () => { region.innerHTML = model.get("region"); };
  model.on("change:region", draw);
  model.on("change:marks", () => { state = [...model.get("marks")]; state.forEach((_, k) => show(k)); if (points.length) speak(); });
  state.forEach((_, k) => show(k));
  draw();
  if (points.length) speak(); else live.textContent = "no taps";
  el.append(svg, live);
}

export default {
  render({ model, el }) {
    // Keys are for the part that has them, not for the notebook's own shortcuts.
    el.dataset.lmSuppressShortcuts = "true";
    el.addEventListener("keydown", (event) => event.stopPropagation());
    ({ slider, choice, spoken, taps })[model.get("part")](model, el);
  },
};
