// Waveform of the chosen track, and of what differs from the reference where there is one.
// Drawn as SVG in the colours of the style sheet, so that print and dark rooms need no redrawing.

const SVG = "http://www.w3.org/2000/svg";

function shape(parent, name, attributes, text) {
  const element = document.createElementNS(SVG, name);
  for (const [key, value] of Object.entries(attributes)) element.setAttribute(key, value);
  if (text !== undefined) element.textContent = text;
  parent.append(element);
  return element;
}

function emptied(svg, height) {
  const width = Math.max(svg.parentElement.clientWidth, 260);
  svg.replaceChildren();
  svg.setAttribute("viewBox", `0 0 ${width} ${height}`);
  svg.setAttribute("height", height);
  return width;
}

// Lowest and highest value of each of `columns` stretches; `value(channel, frame)` is drawn.
function envelope(channels, frames, columns, value) {
  const low = new Float32Array(columns);
  const high = new Float32Array(columns);
  for (let column = 0; column < columns; column += 1) {
    const first = Math.floor((column * frames) / columns);
    const last = Math.max(Math.floor(((column + 1) * frames) / columns), first + 1);
    let least = Infinity;
    let most = -Infinity;
    for (let channel = 0; channel < channels; channel += 1) {
      for (let frame = first; frame < last && frame < frames; frame += 1) {
        const v = value(channel, frame);
        if (v < least) least = v;
        if (v > most) most = v;
      }
    }
    low[column] = least;
    high[column] = most;
  }
  return { low, high, peak: Math.max(...high, -Math.min(...low)) };
}

function outline({ low, high }, left, middle, scale) {
  const upper = Array.from(high, (v, k) => `${left + k},${(middle - v * scale).toFixed(2)}`);
  const lower = Array.from(low, (v, k) => `${left + k},${(middle - v * scale + 0.6).toFixed(2)}`);
  return `M${upper.join("L")}L${lower.reverse().join("L")}Z`;
}

// A round factor that brings a small peak to a visible height.
function magnification(peak, wanted) {
  if (!(peak > 0)) return 1;
  const exact = Math.max(wanted / peak, 1);
  const decade = 10 ** Math.floor(Math.log10(exact));
  return decade * [5, 2, 1].find((step) => step * decade <= exact);
}

class Waveform {
  constructor(svg, tracks, rows, duration) {
    Object.assign(this, { svg, tracks, rows, duration, left: 8 });
    this.caption = document.getElementById("waveform-caption");
  }

  draw(number, loop) {
    const row = this.rows[number];
    const compared = row.nullGain !== null;
    const height = compared ? 210 : 130;
    const width = emptied(this.svg, height);
    this.columns = Math.floor(width - 2 * this.left);
    const { channels, frames } = this.tracks[number];
    const wave = envelope(channels.length, frames, this.columns, (c, f) => channels[c][f]);
    const scale = 48 / Math.max(wave.peak, 1e-9);
    this.region = shape(this.svg, "rect", { class: "region", y: 0, height: height - 20 });
    shape(this.svg, "path", { class: "wave", d: outline(wave, this.left, 56, scale) });
    this.caption.textContent = `Waveform of ${row.name}.`;
    if (compared) this.drawDifference(number, wave.peak, scale);
    this.drawSeconds(height);
    this.head = shape(this.svg, "line", { class: "playhead", y1: 0, y2: height - 20 });
    this.showLoop(loop);
  }

  drawDifference(number, peak, scale) {
    const gain = this.rows[number].nullGain;
    const theirs = this.tracks[number].channels;
    const ours = this.tracks[0].channels;
    const left = envelope(ours.length, this.tracks[0].frames, this.columns, (c, f) =>
      ours[c][f] - gain * theirs[c][f]);
    const factor = magnification(left.peak, peak * 0.7);
    const d = outline(left, this.left, 152, scale * factor * 0.75);
    shape(this.svg, "path", { class: "difference", d });
    const text = this.rows[number].nullText === "identical"
      ? "No difference to the reference."
      : `Below it the difference to the reference${factor > 1 ? `, magnified ${factor} times` : ""} ` +
        `(null depth ${this.rows[number].nullText}).`;
    this.caption.textContent += ` ${text}`;
  }

  drawSeconds(height) {
    const step = [0.05, 0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 60, 120].find(
      (s) => this.x(s) - this.left >= 46) || 300;
    for (let t = 0; t <= this.duration; t += step) {
      const x = this.x(t);
      shape(this.svg, "line", { class: "tick", x1: x, x2: x, y1: height - 20, y2: height - 15 });
      const anchor = t === 0 ? "start" : x > this.left + this.columns - 20 ? "end" : "middle";
      const text = `${Number(t.toFixed(2))} s`;
      shape(this.svg, "text", { x, y: height - 3, "text-anchor": anchor }, text);
    }
  }

  x(seconds) {
    return this.left + (seconds / this.duration) * this.columns;
  }

  seconds(event) {
    const box = this.svg.getBoundingClientRect();
    const x = ((event.clientX - box.left) / box.width) * this.svg.viewBox.baseVal.width;
    const share = (x - this.left) / this.columns;
    return Math.min(Math.max(share, 0), 1) * this.duration;
  }

  showLoop(loop) {
    if (!this.region) return;
    const [from, to] = loop || [0, 0];
    this.region.setAttribute("x", this.x(from));
    this.region.setAttribute("width", this.x(to) - this.x(from));
  }

  showPosition(seconds) {
    if (!this.head) return;
    this.head.setAttribute("x1", this.x(seconds));
    this.head.setAttribute("x2", this.x(seconds));
  }
}

const SHORTEST_LOOP_S = 0.05;

// Limits that lie in the take and are long enough to be heard, or null.
function loopOf(limits, duration) {
  const whole = limits && [Math.max(limits[0], 0), Math.min(limits[1], duration)];
  return whole && whole[1] - whole[0] >= SHORTEST_LOOP_S ? whole : null;
}

// A press moves the player, a drag makes a loop.
function tieWaveform(waveform, player, setLoop) {
  const { svg } = waveform;
  let from = null;
  svg.addEventListener("pointerdown", (event) => {
    if (event.button !== 0) return;
    event.preventDefault(); // no text is selected by a drag
    from = { seconds: waveform.seconds(event), x: event.clientX };
    svg.setPointerCapture(event.pointerId);
  });
  const region = (event) => [from.seconds, waveform.seconds(event)].sort((a, b) => a - b);
  svg.addEventListener("pointermove", (event) => {
    if (from && Math.abs(event.clientX - from.x) > 4) waveform.showLoop(region(event));
  });
  svg.addEventListener("pointerup", (event) => {
    if (!from) return;
    const limits = region(event);
    const dragged = Math.abs(event.clientX - from.x) > 4;
    from = null;
    if (dragged) setLoop(limits);
    else player.seek(limits[0]);
  });
  svg.addEventListener("pointercancel", () => {
    from = null;
    waveform.showLoop(player.loop);
  });
}
