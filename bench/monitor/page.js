"use strict";

const NODES = 8;  // colours, hottest node first: var(--node-1) and on
const WORD = { "conforming": "within limit", "non-conforming": "OVER LIMIT", "undecided": "not decided yet" };
const byId = (id) => document.getElementById(id);
let held = false;
let waiting = null;
let shown = null;

/* Text goes in as text, never as markup: labels and notes are somebody else's words. */
function put(element, text) {
  if (element.textContent !== text) element.textContent = text;
}

function make(name, attributes = {}, ...children) {
  const element = document.createElement(name);
  for (const [key, value] of Object.entries(attributes)) element.setAttribute(key, value);
  element.append(...children);
  return element;
}

function draw(name, attributes = {}, text = null) {
  const element = document.createElementNS("http://www.w3.org/2000/svg", name);
  for (const [key, value] of Object.entries(attributes)) element.setAttribute(key, value);
  if (text !== null) element.textContent = text;
  return element;
}

function duration(seconds) {
  if (seconds < 90) return `${Math.round(seconds)} s`;
  const minutes = Math.round(seconds / 60);
  if (minutes < 90) return `${minutes} min`;
  return `${Math.floor(minutes / 60)} h ${String(minutes % 60).padStart(2, "0")} min`;
}

const fixed = (value, places) => (value === null || value === undefined ? "–" : value.toFixed(places).replace(/^-(?=[0.]*$)/, ""));

/* Heights for labels that want to stand at `wanted` but not closer than `gap`. */
function spread(wanted, gap, low, high) {
  const order = wanted.map((_, i) => i).sort((a, b) => wanted[a] - wanted[b]);
  const place = order.map((i) => Math.min(Math.max(wanted[i], low), high));
  for (let k = 1; k < place.length; k++) place[k] = Math.max(place[k], place[k - 1] + gap);
  for (let k = place.length - 1; k >= 0; k--) {
    const ceiling = k === place.length - 1 ? high : place[k + 1] - gap;
    place[k] = Math.min(place[k], ceiling);
  }
  const result = [];
  order.forEach((i, k) => { result[i] = place[k]; });
  return result;
}

function ticks(low, high, count) {
  const raw = (high - low) / count;
  const power = 10 ** Math.floor(Math.log10(raw));
  const step = [1, 2, 5, 10].map((m) => m * power).find((s) => s >= raw);
  const found = [];
  const places = Math.max(0, -Math.floor(Math.log10(step) + 1e-9));
  for (let k = Math.ceil(low / step); k * step <= high + 1e-9 * step; k++) found.push([k * step, fixed(k * step, places)]);
  return found;
}

/* Powers of ten, with 2 and 5 times them where there is room. */
function logTicks(first, last) {
  const steps = last - first < 1.6 ? [1, 2, 5] : [1];
  const found = [];
  for (let e = Math.floor(first); e <= last; e++) {
    for (const step of steps) {
      const at = step * 10 ** e;
      if (Math.log10(at) >= first - 1e-9 && Math.log10(at) <= last + 1e-9) found.push(at);
    }
  }
  return found;
}

const nodeColour = (j) => `var(--node-${j % NODES + 1})`;

const line = (points) => points.map(([x, y], i) => `${i ? "L" : "M"}${x.toFixed(1)} ${y.toFixed(1)}`).join("");

function curvesPicture(state) {
  const { t_s: t, low, high, power } = state.curves;
  const width = Math.min(760, Math.max(320, byId("curves").clientWidth || 640));
  const height = 400, left = 40, right = 104, top = 8, floor = 300, base = 366;
  const picture = draw("svg", { viewBox: `0 0 ${width} ${height}`, role: "img",
    "aria-label": "Readings of every node and power over the whole record; the present values are in the table" });
  const flat = [...low.flat(), ...high.flat()].filter((v) => v !== null);
  const bottom = Math.min(...flat);
  let peak = Math.max(...flat, bottom + 1);
  /* A guard limit that is near enough is drawn; one far above would press the curves flat. */
  const limits = state.guard.lines.filter((l) => state.nodes.includes(l.what));
  const reach = peak + 0.6 * (peak - bottom);
  const near = limits.filter((l) => l.limit <= reach), far = limits.filter((l) => l.limit > reach);
  peak = Math.max(peak, ...near.map((l) => l.limit + 0.08 * (reach - bottom)));
  const span = t[t.length - 1] - t[0] || 1;
  const [unit, size] = span > 10800 ? ["h", 3600] : span > 300 ? ["min", 60] : ["s", 1];
  const x = (v) => left + (v - t[0]) / span * (width - left - right);
  const y = (v) => floor - (v - bottom) / (peak - bottom) * (floor - top);
  for (const [v, text] of ticks(bottom, peak, 5)) {
    picture.append(draw("path", { d: `M${left} ${y(v)}H${width - right}`, stroke: "var(--hair)", "stroke-width": 0.6 }),
      draw("text", { x: left - 6, y: y(v) + 4, "text-anchor": "end", class: "quiet" }, text));
  }
  for (const [v, text] of ticks(t[0] / size, t[t.length - 1] / size, 6)) {
    picture.append(draw("text", { x: x(v * size), y: base + 14, "text-anchor": "middle", class: "quiet" }, text));
  }
  const above = far.length ? `; guard above: ${far.map((l) => `${l.what} ${l.limit}`).join(", ")}` : "";
  picture.append(draw("text", { x: left, y: height - 4, class: "quiet" }, `time, ${unit}; readings, °C${above}`));
  const heights = spread(near.map((l) => y(l.limit) - 5), 13, top + 4, floor);
  near.forEach((l, i) => picture.append(
    draw("path", { d: `M${left} ${y(l.limit)}H${width - right}`, stroke: "var(--over)", "stroke-width": 1.6, "stroke-dasharray": "7 4" }),
    draw("text", { x: left + 6, y: heights[i], class: "overtext" }, `guard ${l.what} ${l.limit} °C`)));
  const ends = [];
  state.nodes.forEach((node, j) => {
    const hue = nodeColour(j);
    let upper = [], lower = [];
    const flush = () => {
      if (upper.length) picture.append(draw("path", { d: `${line(upper)}L${line(lower.reverse()).slice(1)}Z`, fill: hue, stroke: hue, "stroke-width": 1.2 }));
      upper = []; lower = [];
    };
    t.forEach((at, i) => {
      if (high[j][i] === null) { flush(); return; }
      upper.push([x(at), y(high[j][i])]);
      lower.push([x(at), y(low[j][i])]);
    });
    flush();
    const last = state.readings[j] && state.readings[j].degC;
    ends.push(y(last === null || last === undefined ? bottom : last));
  });
  const places = spread(ends, 14, top + 6, floor);
  state.nodes.forEach((node, j) => {
    picture.append(draw("path", { d: `M${width - right + 2} ${ends[j]}L${width - right + 14} ${places[j]}`, stroke: nodeColour(j), "stroke-width": 2 }),
      draw("text", { x: width - right + 18, y: places[j] + 4 }, node));
  });
  const most = Math.max(...power.filter((v) => v !== null).map(Math.abs), 1e-9);
  const level = (v) => base - Math.max(0, v || 0) / most * (base - floor - 22);
  let d = `M${x(t[0])} ${base}`;
  t.forEach((at, i) => { d += `L${x(i ? t[i - 1] : at).toFixed(1)} ${level(power[i]).toFixed(1)}L${x(at).toFixed(1)} ${level(power[i]).toFixed(1)}`; });
  picture.append(draw("path", { d: `${d}L${x(t[t.length - 1])} ${base}Z`, fill: "var(--hair)" }),
    draw("text", { x: width - right + 18, y: base - 8 }, `power, ${state.power_unit}`),
    draw("text", { x: left - 6, y: level(most) + 8, "text-anchor": "end", class: "quiet" }, `${Number(most.toPrecision(3))}`));
  return picture;
}

function spanPicture(span, heatStart) {
  const { t_s, R, u } = span.history, known = t_s.length > 0;
  const width = 300, height = 154, left = 34, right = 70, top = 8, floor = 118;
  const picture = draw("svg", { viewBox: `0 0 ${width} ${height}`, role: "img",
    "aria-label": `${span.name}: ${spanValue(span, false)}, ${t_s.length} estimates so far` });
  const since = t_s.map((t) => Math.max(t - heatStart, 1));
  const first = Math.log10(Math.min(20, ...since)), last = Math.max(Math.log10(Math.max(...since, 100)), first + 0.3);
  const latest = known ? R[R.length - 1] : 0, half = known ? Math.min(2 * u[u.length - 1], Math.abs(latest)) : 0;
  const peak = 1.25 * Math.max(latest + half, span.limit || 0, (span.predicted || 0) * 1.1, 1e-6);
  const x = (t) => left + (Math.log10(t) - first) / (last - first) * (width - left - right);
  const y = (v) => floor - Math.min(Math.max(v, 0), peak) / peak * (floor - top);
  for (const [v, text] of ticks(0, peak, 4)) {
    picture.append(draw("path", { d: `M${left} ${y(v)}H${width - right}`, stroke: "var(--hair)", "stroke-width": 0.6 }),
      draw("text", { x: left - 4, y: y(v) + 4, "text-anchor": "end", class: "quiet" }, text));
  }
  const hue = span.decision === "non-conforming" ? "var(--over)" : "var(--measured)";
  const upper = since.map((t, i) => [x(t), y(R[i] + 2 * u[i])]);
  const lower = since.map((t, i) => [x(t), y(R[i] - 2 * u[i])]).reverse();
  if (known) picture.append(draw("path", { d: `${line(upper)}L${line(lower).slice(1)}Z`, fill: "var(--band)" }),
    draw("path", { d: line([upper[upper.length - 1], lower[0]]), stroke: "var(--band)", "stroke-width": 4 }));
  const marks = [];
  if (span.predicted) {
    picture.append(draw("path", { d: `M${left} ${y(span.predicted)}H${width - right}`, stroke: "var(--soft)", "stroke-dasharray": "3 3" }));
    marks.push(["predicted", y(span.predicted), "quiet"]);
  }
  if (span.limit) {
    picture.append(draw("path", { d: `M${left} ${y(span.limit)}H${width - right}`, stroke: "var(--over)", "stroke-width": 1.6 }));
    marks.push(["limit", y(span.limit), "overtext"]);
  }
  if (known) marks.push(["measured", y(latest), ""]);
  const places = spread(marks.map((m) => m[1]), 13, top + 4, floor);
  marks.forEach(([word, , kind], i) => picture.append(draw("text", { x: width - right + 5, y: places[i] + 4, class: kind }, word)));
  if (known) picture.append(draw("path", { d: line(since.map((t, i) => [x(t), y(R[i])])), fill: "none", stroke: hue, "stroke-width": 2 }),
    draw("circle", { cx: x(since[since.length - 1]), cy: y(latest), r: 3.5, fill: hue }));
  for (const at of logTicks(first, last)) {
    picture.append(draw("text", { x: x(at), y: floor + 17, "text-anchor": "middle", class: "quiet" }, `${at}`));
  }
  picture.append(draw("text", { x: left, y: height - 4, class: "quiet" }, "K/W (band: k = 2) over seconds under power"));
  return picture;
}

function spanWord(span, ended) {
  if (span.decision && span.decision !== "undecided") return WORD[span.decision];
  if (!span.resolved) return ended ? "not resolved" : "not resolved yet";
  if (!span.settled) return ended ? "not settled" : "still settling";
  return span.decision ? (ended ? "not decided" : WORD[span.decision]) : "measured";
}

function spanValue(span, ended) {
  if (!span.resolved) return ended ? "no value" : "no value yet";
  if (span.settled) return `${span.value_text} K/W`;
  return `${ended ? "about" : "heading for"} ${span.value_text} K/W`;
}

function showSpans(state) {
  const ended = state.phase.name === "ended";
  byId("nospans").hidden = state.spans.length > 0;
  byId("spans").replaceChildren(...state.spans.map((span) => {
    const limit = span.limit ? `, limit ${span.limit_text}${span.resolved ? "" : " K/W"}` : "";
    return make("article", { class: "card", "data-decision": span.decision || "" },
      make("h3", {}, `${span.name}: ${spanWord(span, ended)}`),
      make("p", {}, `${spanValue(span, ended)}${limit}`),
      spanPicture(span, state.heat_s || 0));
  }));
}

function showGuard(state) {
  const limits = Object.fromEntries(state.guard.lines.map((l) => [l.what, l]));
  byId("readings").replaceChildren(...state.readings.map(({ node, degC }) => {
    const guard = limits[node];
    return make("tr", { "data-state": guard ? guard.state : "" },
      make("th", { scope: "row" }, node), make("td", {}, fixed(degC, 1)),
      make("td", {}, guard ? `${guard.limit}` : "–"),
      make("td", {}, guard && degC !== null ? fixed(guard.limit - degC, 1) : "–"));
  }));
  const lines = state.guard.lines;
  const over = lines.filter((l) => l.state === "over"), near = lines.filter((l) => l.state === "near");
  const guard = byId("guard");
  if (state.guard.tripped) {
    put(guard, "Tripped"); guard.dataset.state = "over"; put(byId("guardnote"), state.guard.tripped);
  } else if (over.length) {
    put(guard, "Over a limit"); guard.dataset.state = "over"; put(byId("guardnote"), over.map((l) => l.what).join(", "));
  } else if (near.length) {
    put(guard, "Near a limit"); guard.dataset.state = "near"; put(byId("guardnote"), near.map((l) => l.what).join(", "));
  } else if (lines.length) {
    put(guard, "Within limits"); guard.dataset.state = "ok";
    put(byId("guardnote"), `${lines.length} limit${lines.length > 1 ? "s" : ""}: ${lines.map((l) => `${l.what} ${l.limit} ${l.unit}`).join(", ")}`);
  } else {
    put(guard, "None known"); guard.dataset.state = ""; put(byId("guardnote"), "this record states no guard limits");
  }
}

function show(state) {
  if (!state.phase) return;
  const began = performance.now();
  // Asks how wide the page is: before anything is changed, or the page is laid out twice.
  const curves = state.curves && curvesPicture(state);
  const decision = state.decision;
  byId("decision").dataset.state = decision.state;
  put(byId("word"), decision.headline ? decision.word : state.phase.name === "ended" ? "The run has ended" : "So far");
  put(byId("headline"), decision.headline || decision.word);
  put(byId("text"), decision.text);
  document.title = `${decision.word}${decision.headline ? `: ${decision.headline}` : ""} – ${state.label}`;
  put(byId("label"), state.label);
  put(byId("started"), state.started ? `started ${state.started.slice(0, 16).replace("T", " ")} UTC` : "");
  put(byId("phase"), state.phase.text);
  if (!byId("link").className) put(byId("link"), state.phase.name === "ended" ? "nothing more to follow" : "following");
  put(byId("left"), state.phase.left_s === null ? state.phase.note : `at most ${duration(state.phase.left_s)} left of this phase`);
  put(byId("power"), `${state.power_text} ${state.power_unit}`);
  put(byId("clock"), state.t_s === null ? "" : `${duration(state.t_s)} recorded, ${state.scans} scans`);
  showGuard(state);
  showSpans(state);
  if (curves) byId("curves").replaceChildren(curves);
  shown = curves ? state : null;
  byId("events").replaceChildren(...state.events.slice().reverse().map((event) =>
    make("li", {}, make("span", {}, `${event.t_s.toFixed(1)} s`), make("span", {}, event.text))));
  document.body.dataset.scans = state.scans;
  document.body.dataset.updateMs = (performance.now() - began).toFixed(2);
}

function follow() {
  const source = new EventSource("/events");
  source.onopen = () => { put(byId("link"), "following"); byId("link").className = ""; };
  source.onerror = () => {
    put(byId("link"), "no connection to heatrun watch: trying again, what is shown is old");
    byId("link").className = "lost";
  };
  source.onmessage = (message) => {
    waiting = JSON.parse(message.data);
    if (!held) show(waiting);
  };
}

byId("pause").addEventListener("click", () => {
  held = !held;
  byId("pause").setAttribute("aria-pressed", String(held));
  put(byId("pause"), held ? "Go on" : "Hold the page");
  if (!held && waiting) show(waiting);
});

/* The curves are drawn for the width that there is. */
let resized = 0;
addEventListener("resize", () => {
  clearTimeout(resized);
  resized = setTimeout(() => { if (shown) byId("curves").replaceChildren(curvesPicture(shown)); }, 100);
});

byId("theme").addEventListener("change", (change) => {
  if (change.target.value) document.documentElement.dataset.theme = change.target.value;
  else delete document.documentElement.dataset.theme;
});

follow();
