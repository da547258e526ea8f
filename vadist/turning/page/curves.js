// Curves of what is turned over those of the reference, as SVG in the colours of the style sheet.

const LEFT = 54;

function hertzText(hertz) {
  return hertz < 1000 ? `${hertz}` : `${hertz / 1000}k`;
}

function polyline(svg, xs, ys, name) {
  const points = xs.map((x, k) => `${x.toFixed(1)},${ys[k].toFixed(1)}`);
  shape(svg, "path", { class: `curve ${name}`, d: `M${points.join("L")}` });
}

// Levels in dB against a logarithmic axis of frequency.
function drawLevels(svg, now, reference, range, unit) {
  const height = 210;
  const width = emptied(svg, height);
  const f = now.frequencies;
  const [low, high] = [f[0], f[f.length - 1]];
  const top = Math.ceil(Math.max(...now.levels, ...(reference?.levels || [])) / 10) * 10;
  const bottom = top - range;
  const x = (hertz) => LEFT + (Math.log(hertz / low) / Math.log(high / low)) * (width - LEFT - 10);
  const y = (db) => 8 + ((top - Math.max(db, bottom)) / range) * (height - 46);
  for (let db = bottom; db <= top; db += range / 4) {
    shape(svg, "line", { class: "grid", x1: x(low), x2: x(high), y1: y(db), y2: y(db) });
    shape(svg, "text", { x: LEFT - 6, y: y(db) + 4, "text-anchor": "end" }, db);
  }
  for (const hertz of [10, 100, 1000, 10000, 100000]) {
    if (hertz < low * 0.99 || hertz > high * 1.01) continue;
    const at = x(hertz);
    shape(svg, "line", { class: "grid", x1: at, x2: at, y1: y(top), y2: y(bottom) });
    const anchor = at > width - 30 ? "end" : "middle";
    shape(svg, "text", { x: at, y: height - 24, "text-anchor": anchor }, hertzText(hertz));
  }
  shape(svg, "text", { x: LEFT, y: height - 6 }, unit);
  for (const [held, name] of [[reference, "of-reference"], [now, "of-now"]]) {
    if (held) polyline(svg, held.frequencies.map(x), held.levels.map(y), name);
  }
}

// Two periods in volts from rest.
function drawScope(svg, now, reference, seconds) {
  const height = 190;
  const width = emptied(svg, height);
  const peak = Math.max(1e-6, ...now.map(Math.abs), ...(reference || []).map(Math.abs));
  const decade = 10 ** Math.floor(Math.log10(peak));
  const full = [1, 2, 5, 10].find((step) => step * decade >= peak) * decade;
  const x = (k, count) => LEFT + (k / (count - 1)) * (width - LEFT - 10);
  const y = (volts) => 8 + ((full - volts) / (2 * full)) * (height - 46);
  for (const volts of [-full, 0, full]) {
    shape(svg, "line", { class: volts ? "grid" : "axis", x1: LEFT, x2: width - 10, y1: y(volts), y2: y(volts) });
    const text = full >= 1 ? `${volts} V` : `${Number((volts * 1000).toPrecision(3))} mV`;
    shape(svg, "text", { x: LEFT - 4, y: y(volts) + 4, "text-anchor": "end" }, text.replace(" ", "\u2009"));
  }
  shape(svg, "text", { x: LEFT, y: height - 6 }, `volts from rest over ${(seconds * 1000).toFixed(1)} ms`);
  for (const [held, name] of [[reference, "of-reference"], [now, "of-now"]]) {
    if (held) polyline(svg, held.map((_, k) => x(k, held.length)), held.map(y), name);
  }
}

function fillRows(table, rows) {
  table.tBodies[0].replaceChildren(...rows.map(([head, now, then, ...more]) => {
    const moved = then !== undefined && now !== then;
    return made("tr", {}, made("th", { scope: "row", textContent: head }),
      made("td", { textContent: now, className: moved ? "moved" : "" }),
      made("td", { textContent: then ?? "" }),
      ...more.map((text) => made("td", { textContent: text })));
  }));
}

class Curves {
  constructor() {
    this.el = (id) => document.getElementById(id);
    this.node = null;
  }

  build(stages) {
    this.stages = stages;
    this.places = "";
    this.el("node").addEventListener("change", () => this.draw());
    new ResizeObserver(() => this.draw()).observe(this.el("response").parentElement);
  }

  // Outputs of blocks, then the nodes inside them; what was chosen stays while it is there.
  offer(places) {
    if (this.places === places.join()) return;
    this.places = places.join();
    const options = (names) => names.map((name) =>
      made("option", { value: name, textContent: name.replaceAll("_", " ") }));
    const select = this.el("node");
    const chosen = select.value;
    const inside = places.filter((name) => !this.stages.includes(name));
    select.replaceChildren(
      made("optgroup", { label: "outputs of blocks" }, ...options(this.stages)),
      made("optgroup", { label: "nodes inside" }, ...options(inside)));
    select.value = places.includes(chosen) ? chosen : this.stages.at(-1);
  }

  take(kind, now, reference) {
    this[kind] = { now, reference };
    this.draw();
  }

  draw() {
    if (this.curves) this.offer(Object.keys(this.curves.now.responses));
    const node = this.el("node").value;
    const named = node.replaceAll("_", " ");
    if (this.curves) {
      const { now, reference } = this.curves;
      const of = (held) => held?.responses[node] &&
        { frequencies: held.frequencies, levels: held.responses[node] };
      drawLevels(this.el("response"), of(now), of(reference), 80, "gain from the input, dB, against Hz");
      this.el("response-caption").textContent =
        `Gain of small signals to “${named}”; the reference's is thin.`;
      if (now.spectrum) {
        drawLevels(this.el("spectrum"), now.spectrum, reference?.spectrum, 80,
          "dB per twelfth of an octave against Hz");
        this.el("spectrum-caption").textContent = "Spectrum of the loop in volts; the reference's is thin.";
      }
      const then = new Map(reference?.figures);
      fillRows(this.el("figures"), now.figures.map(([name, text]) => [name, text, then.get(name)]));
      const rows = (held) => [...Object.entries(held.rest), ...Object.entries(held.rails)];
      const before = new Map(reference ? rows(reference) : []);
      fillRows(this.el("rest"), rows(now).map(([name, text]) =>
        [name.replaceAll("_", " "), text, before.get(name)]));
    }
    if (this.scope?.now.traces[node]) {
      const { now } = this.scope;
      const reference = this.scope.reference?.traces[node] && this.scope.reference;
      const trace = now.traces[node];
      drawScope(this.el("scope"), trace, reference?.traces[node], now.seconds);
      const than = reference ? `, the reference's ${reference.distortion[node].toFixed(1)} %` : "";
      this.el("scope-caption").textContent = `${now.frequency} at ${now.level} peak, at ` +
        `“${named}”: ${now.distortion[node].toFixed(1)} % distortion${than}.`;
    }
    if (this.ladder) {
      const { now, reference } = this.ladder;
      const then = new Map((reference || []).map(([name, text]) => [name, text]));
      fillRows(this.el("ladder"), now.map(([name, text, cause]) =>
        [name.replaceAll("_", " "), text, then.get(name), cause]));
    }
  }
}
