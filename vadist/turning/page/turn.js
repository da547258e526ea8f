// The page: settings and their history, what is asked for after a change and in which order.

const IDLE_MS = 600; // after the last change, what takes long is asked for
const ALIVE_MS = 10000;
const MOST_SOUNDS = 24;
const LONG_MS = 3000; // what takes longer is a kernel that is compiled

class Page {
  constructor() {
    this.el = (id) => document.getElementById(id);
    this.desk = new Desk();
    this.desk.lost = () => this.say(this.state("stopped"));
    this.history = [{}];
    this.at = 0;
    this.sounds = new Map();
    this.latencies = [];
    this.reference = {};
  }

  get settings() {
    return this.history[this.at];
  }

  say(text) {
    this.el("announce").textContent = text;
  }

  state(text) {
    this.el("state").textContent = text;
    return text;
  }

  problem(text, path) {
    this.el("problem").textContent = text;
    if (path) this.fields.refuse(path);
  }

  async begin() {
    const told = await this.desk.asked("begin", { settings: {} });
    this.told = told;
    this.el("told-take").textContent =
      `${told.description} Looping ${told.seconds.toFixed(2)} s of ${told.take.split(/[\\/]/).pop()}.`;
    this.el("folder").textContent = told.folder;
    this.fields = new Fields(
      (path, text, stamp) => this.turn(path, text, stamp),
      async (path, by) => (await this.desk.asked("step", {
        settings: this.settings, path, by, series: this.el("series").value,
      })).text,
      (text, path) => this.problem(text, path),
    );
    this.fields.build(told);
    const sound = await this.desk.sound({}, false);
    this.player = new LoopPlayer(sound.rate, sound.frames);
    this.tracks = new Tracks(this.player, (text) => this.say(text));
    this.tracks.take = (track) => this.go(track.settings, performance.now());
    this.tracks.list[REFERENCE].sound = sound;
    this.keepSound({}, sound);
    this.tracks.turned({}, sound);
    this.curves = new Curves();
    this.curves.build(told.stages);
    this.blind = new BlindTests(this.player, this.tracks, told.take, (text) => this.say(text),
      (running) => this.blindRunning(running));
    this.connect();
    this.el("desk").disabled = false;
    this.show();
    this.state("as it is");
    await this.tellReference();
    this.tellMore();
    setInterval(() => this.desk.post("alive", {}).catch((fault) => this.problem(fault.message)), ALIVE_MS);
  }

  async tellReference() {
    const level = Number(this.el("scope-level").value);
    const curves = await this.desk.told("curves", { settings: {} });
    const scope = await this.desk.told("scope", { settings: {}, level });
    Object.assign(this.reference, { curves: curves || this.reference.curves, scope });
    if (curves) this.curves.take("curves", curves);
    if (scope) this.curves.take("scope", scope);
  }

  connect() {
    const { player, el } = this;
    const press = () => (player.playing ? player.pause() : player.play());
    el("play").addEventListener("click", press);
    player.addEventListener("change", () => {
      el("play").textContent = player.playing ? "Pause" : "Play";
    });
    el("undo").addEventListener("click", () => this.walk(-1));
    el("redo").addEventListener("click", () => this.walk(1));
    el("keep").addEventListener("click", () => this.keep());
    el("reset").addEventListener("click", () => this.go({}, performance.now()));
    el("level").addEventListener("change", () => {
      player.setMatched(el("level").value === "matched");
      this.tracks.show();
      if (!player.matched) this.say("True level: louder settings are louder now. Mind the volume.");
    });
    const volume = () => {
      const db = Number(el("volume").value);
      player.setVolume(10 ** (db / 20));
      el("volume-text").textContent = `${db} dB`.replace("-", "\u2212");
    };
    el("volume").addEventListener("input", volume);
    volume();
    el("scope-level").addEventListener("change", async () => {
      await this.tellReference();
      this.tellSoon();
    });
    el("save").addEventListener("submit", (event) => {
      event.preventDefault();
      this.save("save", { settings: this.settings });
    });
    el("save-audition").addEventListener("click", () => {
      if (!this.tracks.kept.length) this.problem("Nothing is kept yet.");
      else if (el("save-name").reportValidity()) {
        this.save("audition", { kept: this.tracks.kept.map((track) => track.settings) });
      }
    });
    el("copy").addEventListener("click", () => this.copy());
    document.addEventListener("keydown", (event) => {
      if (!(event.ctrlKey || event.metaKey) || this.blind.running) return;
      const redo = event.key === "y" || (event.key === "Z" && event.shiftKey);
      if (redo || event.key === "z") {
        event.preventDefault();
        document.activeElement?.blur?.();
        this.walk(redo ? 1 : -1);
      }
    });
    const numbers = new NumberKeys(9, (number) => {
      if (number < this.tracks.list.length) this.tracks.choose(number);
    });
    listenToKeys((event) => {
      const key = event.key.toLowerCase();
      if (key === " ") return press;
      const { panel } = this.blind;
      if (this.blind.running) {
        if ("abx".includes(key)) return () => panel.hear(key.toUpperCase());
        return { f: () => panel.answer("A"), j: () => panel.answer("B") }[key];
      }
      const back = this.tracks.chosen === REFERENCE ? this.tracks.before : REFERENCE;
      return { r: () => this.tracks.choose(back), k: () => this.keep(), z: () => this.walk(-1),
        y: () => this.walk(1) }[key] || numbers.typed(event.key);
    });
    setInterval(() => {
      const text = `${player.position.toFixed(1)} of ${player.duration.toFixed(1)} s`;
      if (el("position").textContent !== text) el("position").textContent = text;
    }, 100);
  }

  blindRunning(running) {
    for (const part of document.querySelectorAll(".sheet, #tracks, #save")) part.inert = running;
    document.querySelector(".sheet").hidden = running;
    for (const id of ["undo", "redo", "keep", "reset", "level"]) this.el(id).disabled = running;
    if (!running) {
      this.show();
      this.tracks.choose(this.tracks.chosen);
    }
  }

  turn(path, text, stamp) {
    const settings = { ...this.settings };
    if (text === this.fields.first.get(path)) delete settings[path];
    else settings[path] = text;
    this.go(settings, stamp, path);
  }

  go(settings, stamp, path) {
    if (settingsText(settings) === settingsText(this.settings)) {
      this.show();
      return;
    }
    this.history = [...this.history.slice(0, this.at + 1), settings].slice(-200);
    this.at = this.history.length - 1;
    this.changed(stamp, path);
  }

  walk(by) {
    if (!this.history[this.at + by]) return;
    this.at += by;
    this.changed(performance.now());
    this.say(by < 0 ? "Undone" : "Done again");
  }

  changed(stamp, path) {
    this.show();
    if (this.tracks.chosen !== TURNED) this.tracks.chosen = TURNED;
    this.render(stamp, path);
  }

  show() {
    this.fields.show(this.settings);
    this.el("undo").disabled = this.at === 0;
    this.el("redo").disabled = this.at === this.history.length - 1;
  }

  keepSound(settings, sound) {
    const key = settingsText(settings);
    this.sounds.delete(key);
    this.sounds.set(key, sound);
    if (this.sounds.size > MOST_SOUNDS) this.sounds.delete(this.sounds.keys().next().value);
  }

  async render(stamp, path) {
    const { settings } = this;
    this.problem("");
    clearTimeout(this.long);
    this.long = setTimeout(() => this.say(
      this.state("a new kind of circuit: some seconds, once")), LONG_MS);
    try {
      let sound = this.sounds.get(settingsText(settings));
      for (const draft of sound ? [] : [true, false]) {
        this.state(draft ? "rendering" : "draft, settling");
        if (!draft) clearTimeout(this.long);
        const found = await this.desk.sound(settings, draft);
        if (!found) return;
        sound = found;
        if (sound.settled) break;
        this.heard(settings, sound, stamp, "draft");
      }
      clearTimeout(this.long);
      this.keepSound(settings, sound);
      this.heard(settings, sound, stamp, "settled");
      this.state("as it is");
      this.tellSoon();
    } catch (fault) {
      this.refused(fault, settings, path);
    }
  }

  heard(settings, sound, stamp, kind) {
    const when = this.tracks.turned(settings, sound);
    if (when !== null) this.latencies.push({ kind, ms: when * 1000 - stamp, passes: sound.passes });
  }

  // What cannot be made is taken back; what was typed stays to be mended.
  refused(fault, settings, path) {
    clearTimeout(this.long);
    this.state("as it is");
    if (settings === this.settings && this.at > 0) {
      const typed = path && this.fields.inputs.get(path)?.value;
      this.history = this.history.slice(0, this.at);
      this.at -= 1;
      this.show();
      if (typed && this.fields.inputs.get(path).tagName === "INPUT") {
        this.fields.inputs.get(path).value = typed;
      }
    }
    this.problem(fault.message, path);
  }

  async tellSoon() {
    clearTimeout(this.later);
    const { settings } = this;
    const level = Number(this.el("scope-level").value);
    try {
      if (!this.reference.curves || !this.reference.scope) await this.tellReference();
      const curves = await this.desk.told("curves", { settings });
      if (curves) this.curves.take("curves", curves, this.reference.curves);
      const scope = await this.desk.told("scope", { settings, level });
      if (scope) this.curves.take("scope", scope, this.reference.scope);
    } catch (fault) {
      this.problem(fault.message);
    }
    clearTimeout(this.later);
    this.later = setTimeout(() => this.tellMore(), IDLE_MS);
  }

  async tellMore() {
    const { settings } = this;
    try {
      const drawing = await this.desk.told("drawing", { settings });
      if (drawing) this.draw(drawing.svg);
      this.reference.ladder ??= await this.desk.told("ladder", { settings: {} });
      if (!this.reference.ladder) return;
      const same = settingsText(settings) === settingsText({});
      const ladder = same ? this.reference.ladder : await this.desk.told("ladder", { settings });
      if (ladder) this.curves.take("ladder", ladder, this.reference.ladder);
    } catch (fault) {
      this.problem(fault.message);
    }
  }

  draw(text) {
    const drawn = new DOMParser().parseFromString(text, "image/svg+xml").documentElement;
    const svg = document.importNode(drawn, true);
    const paths = new Map();
    for (const { marks, path } of this.told.fields) for (const mark of marks) paths.set(mark, path);
    for (const words of svg.querySelectorAll("text")) {
      const path = paths.get(words.textContent.trim());
      if (!path) continue;
      words.classList.add("goes");
      words.addEventListener("click", () => this.fields.focus(path));
    }
    this.el("drawing").replaceChildren(svg);
  }

  keep() {
    const { settings, sound } = this.tracks.list[TURNED];
    try {
      if (settingsText(settings) !== settingsText(this.settings) || !sound.settled) {
        throw new Error("wait until it is rendered");
      }
      this.tracks.keep(settings, sound);
    } catch (fault) {
      this.problem(fault.message);
    }
  }

  async save(kind, body) {
    this.el("saved").textContent = kind === "audition" ? "Rendering the audition" : "";
    try {
      const { path } = await this.desk.asked(kind, { ...body, name: this.el("save-name").value });
      this.el("saved").textContent = `Written: ${path}`;
    } catch (fault) {
      this.el("saved").textContent = "";
      this.problem(fault.message);
    }
  }

  async copy() {
    try {
      const { text } = await this.desk.asked("command", { settings: this.settings });
      this.el("command").textContent = text;
      this.el("command").hidden = false;
      await navigator.clipboard.writeText(text);
      this.el("saved").textContent = "Copied";
    } catch (fault) {
      this.problem(this.el("command").hidden ? fault.message : "copy the line below by hand");
    }
  }
}

const page = new Page();
window.turnPage = page;
page.begin().catch((fault) => page.problem(fault.message));
