"use strict";
(() => {
  const find = (id) => document.getElementById(id);
  const data = JSON.parse(find("data").textContent);
  const say = data.words;
  const canvas = find("canvas");
  const out = find("reading");
  const pen = canvas.getContext("2d");
  const links = data.links;
  const state = { link: 0, curve: "both", from: 0, to: 1, low: null, high: null, at: null, mark: null, event: -1 };
  const margin = { left: 68, right: 12, top: 30, bottom: 44 };
  const NONE = 65535;

  // Levels: steps above a base as differences of 16-bit numbers, low bytes, then high
  // ones, deflated; 65535 is no level.
  async function levelsOf(packed) {
    const packedBytes = Uint8Array.from(atob(packed.data), (c) => c.charCodeAt(0));
    const stream = new Blob([packedBytes]).stream().pipeThrough(new DecompressionStream("deflate-raw"));
    const bytes = new Uint8Array(await new Response(stream).arrayBuffer());
    const n = bytes.length / 2;
    const levels = new Float32Array(n);
    let step = 0;
    for (let i = 0; i < n; i++) {
      step = (step + (bytes[i] | (bytes[n + i] << 8))) & 65535;
      levels[i] = step === NONE ? NaN : packed.base_db + step * packed.step_db;
    }
    return levels;
  }
  async function ready(link) {
    if (link.levels) return;
    let a, b;
    if (link.samples) {
      const answer = await fetch(link.samples);
      if (!answer.ok) throw new Error(String(answer.status));
      const both = new Float32Array(await answer.arrayBuffer());
      a = both.subarray(0, both.length / 2);
      b = both.subarray(both.length / 2);
    } else {
      a = await levelsOf(link.a);
      b = await levelsOf(link.b);
    }
    const two = new Float32Array(a.length);
    const scatter = new Float32Array(a.length);
    for (let i = 0; i < a.length; i++) {
      two[i] = (a[i] - b[i]) / 2;
      scatter[i] = (a[i] + b[i]) / 2;
    }
    link.levels = { a, b, two, scatter };
  }
  const curves = {
    both: ["a", "b"], a: ["a"], b: ["b"], two: ["two"], scatter: ["scatter"],
  };
  const colour = { a: "--a", b: "--b", two: "--two", scatter: "--scatter" };
  const style = (name) => getComputedStyle(document.documentElement).getPropertyValue(name).trim();
  const current = () => links[state.link];
  const place = (link, i) => link.start_m + i * link.spacing_m;
  const index = (link, m) => (m - link.start_m) / link.spacing_m;
  const clamp = (v, lo, hi) => Math.min(Math.max(v, lo), hi);

  function whole() {
    const link = current();
    state.from = place(link, 0);
    state.to = place(link, link.samples_n - 1);
    state.low = state.high = null;
  }
  function levelRange(link) {
    if (state.low !== null) return [state.low, state.high];
    // Single samples of noise far below the rest do not flatten the curves: of the lowest
    // levels one in two hundred is left out. Peaks are kept.
    const lo = Math.max(0, Math.floor(index(link, state.from)));
    const hi = Math.min(link.samples_n - 1, Math.ceil(index(link, state.to)));
    const seen = [];
    for (const name of curves[state.curve]) {
      const levels = link.levels[name];
      for (let i = lo; i <= hi; i++) if (Number.isFinite(levels[i])) seen.push(levels[i]);
    }
    const sorted = Float32Array.from(seen).sort();
    const low = sorted[Math.floor(sorted.length / 200)];
    const high = sorted[sorted.length - 1];
    if (!(low < high)) { const mid = Number.isFinite(low) ? low : 0; return [mid - 1, mid + 1]; }
    const room = 0.06 * (high - low);
    return [low - room, high + room];
  }
  function steps(from, to, most) {
    const rough = (to - from) / most;
    const power = Math.pow(10, Math.floor(Math.log10(rough)));
    const step = [1, 2, 5, 10].map((m) => m * power).find((s) => s >= rough);
    const list = [];
    for (let k = Math.ceil(from / step); k * step <= to; k++) list.push(k * step);
    return { list, digits: Math.max(0, -Math.floor(Math.log10(step) + 1e-9)) };
  }
  const minus = (text) => text.replace("-", "\u2212");
  const number = (v, digits) => (Number.isFinite(v) ? minus(v.toFixed(digits)) : "\u2014");

  let scale = null;
  function draw() {
    const link = current();
    if (!link.levels) return;
    const box = canvas.parentElement.getBoundingClientRect();
    const ratio = window.devicePixelRatio || 1;
    const w = Math.max(200, box.width), h = Math.max(160, box.height);
    canvas.width = Math.round(w * ratio);
    canvas.height = Math.round(h * ratio);
    pen.setTransform(ratio, 0, 0, ratio, 0, 0);
    pen.clearRect(0, 0, w, h);
    const [low, high] = levelRange(link);
    const left = margin.left, right = w - margin.right, top = margin.top, bottom = h - margin.bottom;
    const x = (m) => left + ((m - state.from) / (state.to - state.from)) * (right - left);
    const y = (db) => bottom - ((db - low) / (high - low)) * (bottom - top);
    scale = { left, right, top, bottom, low, high };
    const ink = style("--ink"), soft = style("--soft"), rule = style("--rule");
    pen.font = "12px system-ui, 'DejaVu Sans', sans-serif";
    // Grid and its numbers.
    const km = state.to - state.from > 4000;
    const unit = km ? 1000 : 1;
    const across = steps(state.from / unit, state.to / unit, Math.max(2, (right - left) / 90));
    const up = steps(low, high, Math.max(2, (bottom - top) / 45));
    pen.lineWidth = 1;
    pen.strokeStyle = rule;
    pen.fillStyle = soft;
    pen.textAlign = "center";
    pen.textBaseline = "top";
    for (const v of across.list) {
      const px = Math.round(x(v * unit)) + 0.5;
      pen.beginPath(); pen.moveTo(px, top); pen.lineTo(px, bottom); pen.stroke();
      pen.fillText(minus(v.toFixed(across.digits)), px, bottom + 5);
    }
    pen.fillText(say.place_axis.replace("{unit}", km ? "km" : "m"), (left + right) / 2, bottom + 23);
    pen.textAlign = "right";
    pen.textBaseline = "middle";
    for (const v of up.list) {
      const py = Math.round(y(v)) + 0.5;
      pen.beginPath(); pen.moveTo(left, py); pen.lineTo(right, py); pen.stroke();
      pen.fillText(minus(v.toFixed(up.digits)), left - 6, py);
    }
    pen.save();
    pen.translate(12, (top + bottom) / 2);
    pen.rotate(-Math.PI / 2);
    pen.textAlign = "center";
    pen.fillText(say.level_axis, 0, 0);
    pen.restore();
    // Events: a line at each place, its number above.
    pen.textAlign = "center";
    pen.textBaseline = "bottom";
    let last = -Infinity;
    link.events.forEach((event, i) => {
      if (event.at === null || event.at < state.from || event.at > state.to) return;
      const px = Math.round(x(event.at)) + 0.5;
      const chosen = i === state.event;
      pen.strokeStyle = chosen ? style("--mark") : style("--event");
      pen.lineWidth = chosen ? 2 : 1;
      pen.setLineDash(chosen ? [] : [3, 3]);
      pen.beginPath(); pen.moveTo(px, top); pen.lineTo(px, bottom); pen.stroke();
      pen.setLineDash([]);
      if (px - last > 18 || chosen) {
        pen.fillStyle = event.verdict === "fail" ? style("--fail") : ink;
        pen.fillText(String(event.number), px, top - 3);
        last = px;
      }
    });
    // Curves: least and greatest level of each pixel column.
    pen.save();
    pen.beginPath();
    pen.rect(left, top, right - left, bottom - top);
    pen.clip();
    pen.lineJoin = "round";
    for (const name of curves[state.curve]) {
      pen.strokeStyle = style(colour[name]);
      pen.lineWidth = 1.4;
      line(link, link.levels[name], x, y, left, right);
    }
    pen.restore();
    pen.strokeStyle = soft;
    pen.lineWidth = 1;
    pen.strokeRect(left + 0.5, top + 0.5, right - left - 1, bottom - top - 1);
    for (const [m, name, dash] of [[state.mark, "--mark", [6, 3]], [state.at, "--ink", []]]) {
      if (m === null || m < state.from || m > state.to) continue;
      pen.strokeStyle = style(name);
      pen.setLineDash(dash);
      pen.beginPath(); pen.moveTo(x(m), top); pen.lineTo(x(m), bottom); pen.stroke();
      pen.setLineDash([]);
    }
    legend(left, top, ink);
    read();
  }
  function legend(left, top, ink) {
    pen.textAlign = "left";
    pen.textBaseline = "top";
    const names = curves[state.curve];
    const wide = Math.max(...names.map((name) => pen.measureText(say[name]).width)) + 40;
    pen.globalAlpha = 0.85;
    pen.fillStyle = style("--ground");
    const x0 = state.curve === "b" || state.curve === "two" ? left + 6 : Math.max(left + 6, scale.right - wide - 6);
    pen.fillRect(x0, top + 6, wide, names.length * 18 + 6);
    pen.globalAlpha = 1;
    names.forEach((name, i) => {
      const at = top + 12 + 18 * i;
      pen.strokeStyle = style(colour[name]);
      pen.lineWidth = 2;
      pen.beginPath(); pen.moveTo(x0 + 6, at + 6); pen.lineTo(x0 + 28, at + 6); pen.stroke();
      pen.fillStyle = ink;
      pen.fillText(say[name], x0 + 34, at);
    });
  }
  function line(link, levels, x, y, left, right) {
    const lo = Math.max(0, Math.floor(index(link, state.from)) - 1);
    const hi = Math.min(levels.length - 1, Math.ceil(index(link, state.to)) + 1);
    const each = (hi - lo) / Math.max(1, right - left);
    pen.beginPath();
    let open = false;
    if (each < 2) {
      for (let i = lo; i <= hi; i++) {
        const v = levels[i];
        if (!Number.isFinite(v)) { open = false; continue; }
        const px = x(place(link, i)), py = y(v);
        if (open) pen.lineTo(px, py); else pen.moveTo(px, py);
        open = true;
      }
    } else {
      let i = lo;
      while (i <= hi) {
        const column = Math.floor(x(place(link, i)));
        let min = Infinity, max = -Infinity, first = NaN, end = NaN;
        while (i <= hi && Math.floor(x(place(link, i))) === column) {
          const v = levels[i++];
          if (!Number.isFinite(v)) continue;
          if (Number.isNaN(first)) first = v;
          end = v;
          if (v < min) min = v;
          if (v > max) max = v;
        }
        if (Number.isNaN(first)) { open = false; continue; }
        if (open) pen.lineTo(column + 0.5, y(first)); else pen.moveTo(column + 0.5, y(first));
        pen.lineTo(column + 0.5, y(min));
        pen.lineTo(column + 0.5, y(max));
        pen.lineTo(column + 0.5, y(end));
        open = true;
      }
    }
    pen.stroke();
  }
  function levelAt(link, name, m) {
    const i = Math.round(index(link, m));
    return i >= 0 && i < link.samples_n ? link.levels[name][i] : NaN;
  }
  function read() {
    const link = current();
    const lines = [];
    if (state.at === null) {
      lines.push(say.no_cursor);
    } else {
      const fromB = link.length_m === null ? "" : `, ${number(link.length_m - state.at, 1)} m ${say.from_b}`;
      lines.push(`${say.cursor}: ${number(state.at, 1)} m ${say.from_a}${fromB}`);
      lines.push(["a", "b", "two", "scatter"]
        .map((name) => `${say[name]} ${number(levelAt(link, name, state.at), 3)} dB`).join(" · "));
      if (state.mark !== null) {
        const drop = (name, sign) =>
          number(sign * (levelAt(link, name, state.mark) - levelAt(link, name, state.at)), 3);
        lines.push(`${say.to_mark}: ${number(state.at - state.mark, 1)} m, ${say.falls}: ` +
          `${say.a} ${drop("a", 1)} dB · ${say.b} ${drop("b", -1)} dB · ${say.two} ${drop("two", 1)} dB`);
      }
    }
    const event = link.events[state.event];
    if (event) lines.push(event.text);
    out.textContent = lines.join("\n");
  }
  function zoom(by, about) {
    const link = current();
    const first = place(link, 0), last = place(link, link.samples_n - 1);
    const span = clamp((state.to - state.from) * by, 8 * link.spacing_m, last - first);
    const share = (about - state.from) / (state.to - state.from);
    state.from = clamp(about - share * span, first, last - span);
    state.to = state.from + span;
    draw();
  }
  function shift(m) {
    const link = current();
    const first = place(link, 0), last = place(link, link.samples_n - 1);
    const span = state.to - state.from;
    state.from = clamp(state.from + m, first, last - span);
    state.to = state.from + span;
    draw();
  }
  function taller(by, share) {
    const [low, high] = [scale.low, scale.high];
    const about = low + share * (high - low);
    state.low = about - share * (high - low) * by;
    state.high = about + (1 - share) * (high - low) * by;
    draw();
  }
  const middle = () => (state.at !== null && state.at > state.from && state.at < state.to
    ? state.at : (state.from + state.to) / 2);
  function cursor(m) {
    const link = current();
    state.at = clamp(m, place(link, 0), place(link, link.samples_n - 1));
    if (state.at < state.from) shift(state.at - state.from);
    else if (state.at > state.to) shift(state.at - state.to);
    else draw();
  }
  function choose(i, look) {
    const link = current();
    const event = link.events[i];
    if (!event) return;
    state.event = i;
    document.querySelectorAll("tr.chosen").forEach((row) => row.classList.remove("chosen"));
    const row = find(`event-${state.link}-${i}`);
    if (row) row.classList.add("chosen");
    if (event.at === null) { draw(); return; }
    state.at = event.at;
    if (look) {
      const first = place(link, 0), last = place(link, link.samples_n - 1);
      const span = Math.min(Math.max(400 * link.spacing_m, 6 * link.pulse_m), last - first);
      state.from = clamp(event.at - span / 2, first, last - span);
      state.to = state.from + span;
      state.low = state.high = null;
    }
    draw();
  }
  const metre = (px) => state.from + ((px - scale.left) / (scale.right - scale.left)) * (state.to - state.from);

  // Pointers: one drags, two pinch; a tap without a drag puts the cursor.
  const pointers = new Map();
  let dragged = 0, pinch = null;
  const spot = (event) => {
    const box = canvas.getBoundingClientRect();
    return { x: event.clientX - box.left, y: event.clientY - box.top };
  };
  canvas.addEventListener("pointerdown", (event) => {
    canvas.setPointerCapture(event.pointerId);
    pointers.set(event.pointerId, spot(event));
    dragged = 0;
    pinch = null;
    canvas.focus({ preventScroll: true });
  });
  canvas.addEventListener("pointermove", (event) => {
    if (!scale) return;
    const now = spot(event);
    const before = pointers.get(event.pointerId);
    if (!before) { if (event.pointerType === "mouse") cursor(clamp(metre(now.x), state.from, state.to)); return; }
    pointers.set(event.pointerId, now);
    if (pointers.size === 2) {
      const [one, other] = [...pointers.values()];
      const gap = Math.max(20, Math.abs(one.x - other.x));
      if (pinch) zoom(pinch / gap, metre((one.x + other.x) / 2));
      pinch = gap;
    } else {
      dragged += Math.abs(now.x - before.x);
      shift(-((now.x - before.x) / (scale.right - scale.left)) * (state.to - state.from));
    }
  });
  const lift = (event) => {
    if (pointers.delete(event.pointerId) && dragged < 4 && event.type === "pointerup" && scale) {
      cursor(clamp(metre(spot(event).x), state.from, state.to));
    }
    pinch = null;
  };
  canvas.addEventListener("pointerup", lift);
  canvas.addEventListener("pointercancel", lift);
  canvas.addEventListener("wheel", (event) => {
    if (!scale || !(event.ctrlKey || event.shiftKey || document.activeElement === canvas)) return;
    event.preventDefault();
    const by = Math.pow(1.0015, event.deltaY || event.deltaX);
    const at = spot(event);
    if (event.shiftKey) taller(by, clamp((scale.bottom - at.y) / (scale.bottom - scale.top), 0, 1));
    else zoom(by, metre(at.x));
  }, { passive: false });
  const setMark = () => {
    state.mark = state.mark !== null && state.mark === state.at ? null : state.at;
    draw();
  };
  const step = (by) => {
    const n = current().events.length;
    if (n) choose((((state.event < 0 && by < 0 ? 0 : state.event) + by) % n + n) % n, true);
  };
  const keys = {
    ArrowLeft: (e) => cursor((state.at ?? middle()) - (e.shiftKey ? 20 : 1) * current().spacing_m),
    ArrowRight: (e) => cursor((state.at ?? middle()) + (e.shiftKey ? 20 : 1) * current().spacing_m),
    ArrowUp: () => taller(0.8, 0.5),
    ArrowDown: () => taller(1.25, 0.5),
    PageUp: () => shift(-(state.to - state.from) / 2),
    PageDown: () => shift((state.to - state.from) / 2),
    Home: () => cursor(0),
    End: () => cursor(current().length_m ?? place(current(), current().samples_n - 1)),
    "+": () => zoom(0.7, middle()), "=": () => zoom(0.7, middle()), "-": () => zoom(1.43, middle()),
    "0": () => { whole(); draw(); },
    m: setMark, n: () => step(1), p: () => step(-1),
  };
  canvas.addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.altKey || event.metaKey) return;
    const act = keys[event.key];
    if (act) { event.preventDefault(); act(event); }
  });
  const press = (id, act) => find(id).addEventListener("click", act);
  press("closer", () => zoom(0.5, middle()));
  press("farther", () => zoom(2, middle()));
  press("whole", () => { whole(); draw(); });
  press("fit", () => { state.low = state.high = null; draw(); });
  press("mark", setMark);
  press("before", () => step(-1));
  press("next", () => step(1));
  document.querySelectorAll("input[name=curve]").forEach((input) => input.addEventListener("change", () => {
    state.curve = input.value;
    state.low = state.high = null;
    draw();
  }));
  async function show(i) {
    state.link = i;
    state.event = -1;
    document.querySelectorAll("[data-link]").forEach((part) => { part.hidden = Number(part.dataset.link) !== i; });
    const span = [state.from, state.to];
    try {
      await ready(links[i]);
    } catch (error) {
      out.textContent = `${say.no_levels} (${error.message})`;
      return;
    }
    const kept = span[1] - span[0] > 1;
    whole();
    if (kept) {
      const [first, last] = [state.from, state.to];
      state.from = clamp(span[0], first, last);
      state.to = clamp(span[1], first, last);
      if (state.to - state.from < 8 * links[i].spacing_m) whole();
    }
    draw();
  }
  document.querySelectorAll("input[name=wavelength]").forEach((input) =>
    input.addEventListener("change", () => show(Number(input.value))));
  document.querySelectorAll("button[data-event]").forEach((button) => button.addEventListener("click", () => {
    choose(Number(button.dataset.event), true);
    canvas.scrollIntoView({ block: "nearest" });
  }));
  new ResizeObserver(draw).observe(canvas.parentElement);
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", draw);
  document.querySelectorAll(".script").forEach((part) => { part.hidden = false; });
  const start = document.querySelector("input[name=wavelength]:checked");
  show(start ? Number(start.value) : 0);
})();
