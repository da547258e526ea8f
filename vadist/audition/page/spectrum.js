// Spectrum of the chosen track, and of what differs from the reference.

class SpectrumView {
  constructor(svg, rows, frequencies) {
    Object.assign(this, { svg, rows, frequencies });
    this.caption = document.getElementById("spectrum-caption");
  }

  draw(number) {
    const height = 260;
    const width = emptied(this.svg, height);
    const row = this.rows[number];
    const f = this.frequencies;
    const [low, high] = [f[0], f[f.length - 1]];
    const top = Math.ceil(Math.max(...row.levels, ...this.rows[0].levels) / 10) * 10;
    const bottom = top - 90;
    const x = (hertz) => 44 + (Math.log(hertz / low) / Math.log(high / low)) * (width - 56);
    const y = (db) => 8 + ((top - db) / (top - bottom)) * (height - 48);
    for (let db = bottom; db <= top; db += width < 420 ? 30 : 15) {
      shape(this.svg, "line", { class: "grid", x1: x(low), x2: x(high), y1: y(db), y2: y(db) });
      shape(this.svg, "text", { x: 38, y: y(db) + 4, "text-anchor": "end" }, db);
    }
    for (const hertz of [50, 100, 200, 500, 1000, 2000, 5000, 10000, 20000]) {
      if (hertz < low || hertz > high * 1.01) continue;
      const [at, narrow] = [x(hertz), width < 420 && !/^1/.test(hertz)];
      shape(this.svg, "line", { class: "grid", x1: at, x2: at, y1: y(top), y2: y(bottom) });
      if (narrow) continue;
      const text = hertz < 1000 ? hertz : `${hertz / 1000}k`;
      shape(this.svg, "text", { x: at, y: height - 24, "text-anchor": "middle" }, text);
    }
    const title = "dB per twelfth of an octave against Hz";
    shape(this.svg, "text", { x: 44, y: height - 6 }, title);
    const line = (levels, name) => {
      const points = levels.map((db, k) =>
        `${x(f[k]).toFixed(1)},${y(Math.max(db, bottom)).toFixed(1)}`);
      shape(this.svg, "path", { class: `curve ${name}`, d: `M${points.join("L")}` });
    };
    line(this.rows[0].levels, "of-reference");
    if (number) line(row.levels, "of-track");
    if (row.leftLevels) line(row.leftLevels, "of-difference");
    this.caption.textContent = number
      ? `Spectrum of ${row.name} (solid) over the reference (thin)` +
        (row.leftLevels ? " and of their difference (dashed)." : ".")
      : "Spectrum of the reference.";
  }
}
