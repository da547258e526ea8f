// What can be heard: the reference, what is turned, and what was kept. All are loops of one
// length on one clock, so hearing another is a matter of a fade.

const REFERENCE = 0;
const TURNED = 1;
const MOST_KEPT = 32;

class Tracks extends EventTarget {
  constructor(player, say) {
    super();
    Object.assign(this, { player, say, chosen: TURNED, before: TURNED });
    this.list = [{ name: "reference", settings: {} }, { name: "turned", settings: {} }];
    this.box = document.getElementById("tracks");
    this.take = () => {};
  }

  get kept() {
    return this.list.slice(2);
  }

  keep(settings, sound) {
    const name = settingsText(settings);
    if (this.list.length >= 2 + MOST_KEPT) throw new Error(`at most ${MOST_KEPT} are kept; drop one`);
    if (this.kept.some((track) => track.name === name)) throw new Error("this is kept already");
    this.list.push({ name, settings, sound });
    this.show();
    this.say(`Kept: ${name}`);
  }

  drop(number) {
    this.list.splice(number, 1);
    if (this.chosen >= number) this.choose(TURNED);
    this.show();
  }

  sound(number) {
    return this.list[number].sound;
  }

  choose(number) {
    if (number !== this.chosen) this.before = this.chosen;
    this.chosen = number;
    const track = this.list[number];
    if (track.sound) this.player.hear(track.sound);
    this.show();
    this.say(`Hearing ${number < 2 ? `the ${track.name}` : track.name}`);
  }

  // What is turned has a new sound; returns when it is heard, in seconds of the page's clock.
  turned(settings, sound) {
    Object.assign(this.list[TURNED], { settings, sound });
    const when = this.chosen === TURNED ? this.player.hear(sound) : null;
    this.show();
    return when;
  }

  title(number) {
    if (number === REFERENCE) return "Reference";
    const { settings, name } = this.list[number];
    if (number === TURNED) return `Turned: ${settingsText(settings)}`;
    return name;
  }

  show() {
    const focused = document.activeElement?.name === "track";
    this.box.replaceChildren(...this.list.map((track, number) => {
      const input = made("input", { type: "radio", name: "track", value: String(number),
        checked: number === this.chosen });
      input.addEventListener("change", () => this.choose(number));
      const row = made("label", { className: number === REFERENCE ? "track reference" : "track" }, input,
        made("span", { className: "key", "aria-hidden": "true", textContent: number < 9 ? String(number + 1) : "" }),
        made("span", { className: "name", textContent: this.title(number) }),
        made("span", { className: "number gain", textContent: this.gainText(track.sound) }));
      if (number > TURNED) {
        const go = made("button", { type: "button", className: "do", textContent: "Turn on" });
        go.setAttribute("aria-label", `Turn on from ${track.name}`);
        go.addEventListener("click", () => this.take(track));
        const drop = made("button", { type: "button", className: "do", textContent: "Drop" });
        drop.setAttribute("aria-label", `Drop ${track.name}`);
        drop.addEventListener("click", () => this.drop(number));
        row.append(go, drop);
      }
      return row;
    }));
    if (focused) this.box.querySelector("input:checked")?.focus();
    this.dispatchEvent(new Event("change"));
  }

  gainText(sound) {
    if (!sound) return "";
    const gain = this.player.matched ? sound.matched : sound.true;
    const held = this.player.matched ? sound.short : sound.heldBack;
    const text = `${gain >= 0 ? "+" : "\u2212"}${Math.abs(gain).toFixed(1)} dB`;
    return held > 0.05 ? `${text}, held back ${held.toFixed(1)} dB` : text;
  }
}

function settingsText(settings) {
  const pairs = Object.entries(settings).map(([path, text]) => `${path}=${text}`);
  return pairs.join(", ") || "as the reference";
}

// The blind test of the listening pages, between any two of the tracks.
class BlindTests {
  constructor(player, tracks, take, say, whenRunning) {
    const adapter = {
      get tracks() { return tracks.list.map((track) => track.sound); },
      get playing() { return player.playing; },
      play: () => player.play(),
      pause: () => player.pause(),
      hearTrack: (number) => player.hear(tracks.sound(number)),
    };
    this.panel = new BlindTestPanel(adapter, { tracks: [], bits: 24, take }, say, whenRunning);
    this.tracks = tracks;
    tracks.addEventListener("change", () => this.refresh());
    this.refresh();
  }

  get running() {
    return this.panel.running;
  }

  refresh() {
    if (this.running) return;
    this.panel.names = this.tracks.list.map((_, number) => this.tracks.title(number));
    for (const [letter, preset] of [["a", REFERENCE], ["b", TURNED]]) {
      const select = document.getElementById(`blind-${letter}`);
      const chosen = select.value || String(preset);
      select.replaceChildren(...this.panel.names.map((name, number) =>
        made("option", { value: String(number), textContent: name })));
      select.value = Number(chosen) < this.panel.names.length ? chosen : String(preset);
    }
  }
}
