// The page: reads its audio, ties buttons, keys and pictures to the player.

const data = JSON.parse(document.getElementById("audition-data").textContent);
const $ = (id) => document.getElementById(id);

function say(text) {
  $("announce").textContent = text;
}

function clock(seconds) {
  return `${seconds.toFixed(2)} s`;
}

class Page {
  constructor(tracks) {
    this.player = new Player(tracks, data.sampleRate);
    this.waveform = new Waveform($("waveform"), tracks, data.tracks, this.player.duration);
    this.spectrum = new SpectrumView($("spectrum"), data.tracks, data.frequencies);
    this.radios = [...document.querySelectorAll("input[name=track]")];
    this.numbers = new NumberKeys(tracks.length, (number) => this.choose(number));
    this.chosen = 0;
    this.previous = Math.min(1, data.tracks.length - 1);
    this.loopStart = null;
    this.blind = new BlindTestPanel(this.player, data, say, (on) => this.blindRunning(on));
    this.tieControls();
    tieWaveform(this.waveform, this.player, (limits) => this.setLoop(limits));
    listenToKeys((event) => (this.blind.running ? this.blindKey(event) : this.key(event)));
    this.player.addEventListener("change", () => this.refresh());
    new ResizeObserver(() => this.draw()).observe($("pictures"));
    this.setVolume();
    this.draw();
    this.refresh();
    follow(this.player, () => this.showPosition());
  }

  tieControls() {
    $("play").addEventListener("click", () => this.toggle());
    $("difference").addEventListener("click", () => this.hearDifference());
    $("through")?.addEventListener("click", () => this.turnThrough());
    $("volume").addEventListener("input", () => this.setVolume());
    $("loop-clear").addEventListener("click", () => this.setLoop(null));
    for (const id of ["loop-from", "loop-to"]) {
      $(id).addEventListener("change", () => {
        const limits = [$("loop-from"), $("loop-to")].map((field) => field.value);
        if (limits.every((text) => text !== "")) this.setLoop(limits.map(Number));
      });
    }
    this.radios.forEach((radio, k) => radio.addEventListener("change", () => this.choose(k)));
  }

  key(event) {
    const { player } = this;
    const move = (seconds) => () => player.seek(player.position + seconds);
    return this.numbers.typed(event.key) ?? {
      " ": () => this.toggle(),
      n: () => this.choose((this.chosen + 1) % this.radios.length),
      p: () => this.choose((this.chosen || this.radios.length) - 1),
      r: () => this.choose(this.chosen === 0 ? this.previous : 0),
      d: () => this.hearDifference(),
      t: () => this.turnThrough(),
      "[": () => this.markLoop(),
      "]": () => this.endLoop(),
      l: () => this.setLoop(null),
      Home: () => player.seek(player.loop ? player.loop[0] : 0),
      ArrowLeft: move(-1),
      ArrowRight: move(1),
    }[event.key.length === 1 ? event.key.toLowerCase() : event.key];
  }

  blindKey(event) {
    return {
      " ": () => this.toggle(),
      a: () => this.blind.hear("A"),
      b: () => this.blind.hear("B"),
      x: () => this.blind.hear("X"),
      f: () => this.blind.answer("A"),
      j: () => this.blind.answer("B"),
    }[event.key.toLowerCase()];
  }

  toggle() {
    if (this.player.playing) this.player.pause();
    else this.player.play();
    say(this.player.playing ? "Playing" : "Paused");
  }

  choose(number) {
    if (number !== this.chosen && this.chosen !== 0) this.previous = this.chosen;
    this.chosen = number;
    this.radios[number].checked = true;
    this.player.hearTrack(number);
    this.draw();
    say(data.tracks[number].name);
  }

  turnThrough() {
    const { twin } = data.tracks[this.chosen];
    if (twin !== null) this.choose(twin);
  }

  // The reference minus the chosen track at its best gain: a mix of the two that play anyway.
  hearDifference() {
    const { nullGain } = data.tracks[this.chosen];
    if (nullGain === null) {
      say("Choose a candidate first: the difference is to the reference.");
      return;
    }
    const on = $("difference").getAttribute("aria-pressed") !== "true";
    if (!on) {
      this.player.hearTrack(this.chosen);
      return;
    }
    const gains = data.tracks.map(() => 0);
    gains[0] = 1;
    gains[this.chosen] = -nullGain;
    this.player.hear(gains);
    say(`Hearing the difference of ${data.tracks[this.chosen].name} to the reference`);
  }

  markLoop() {
    this.loopStart = this.player.position;
    say(`Loop starts at ${clock(this.loopStart)}`);
  }

  endLoop() {
    this.setLoop([this.loopStart ?? 0, this.player.position]);
  }

  setLoop(limits) {
    const loop = loopOf(limits, this.player.duration);
    this.player.setLoop(loop);
    this.waveform.showLoop(loop);
    $("loop-from").value = loop ? loop[0].toFixed(2) : "";
    $("loop-to").value = loop ? loop[1].toFixed(2) : "";
    $("loop-clear").disabled = !loop;
    say(loop ? `Looping ${clock(loop[0])} to ${clock(loop[1])}` : "No loop");
  }

  setVolume() {
    const decibels = Number($("volume").value);
    this.player.setVolume(10 ** (decibels / 20));
    $("volume-text").textContent = `${decibels} dB`;
    $("volume").setAttribute("aria-valuetext", `${decibels} decibels`);
  }

  blindRunning(on) {
    for (const element of [...this.radios, $("difference"), $("through")]) {
      if (element) element.disabled = on;
    }
    $("pictures").hidden = on;
    $("pictures-hidden").hidden = !on;
    if (on) return;
    this.player.hearTrack(this.chosen);
    this.draw();
  }

  draw() {
    if ($("pictures").hidden) return;
    this.waveform.draw(this.chosen, this.player.loop);
    this.spectrum.draw(this.chosen);
    this.waveform.showPosition(this.player.position);
  }

  refresh() {
    const { player } = this;
    $("play").textContent = player.playing ? "Pause" : "Play";
    const differing = player.gains.filter((gain) => gain !== 0).length > 1;
    $("difference").setAttribute("aria-pressed", String(differing));
    $("difference").disabled = this.blind.running || data.tracks[this.chosen].nullGain === null;
    const heard = data.tracks[this.chosen].role === "through";
    $("through")?.setAttribute("aria-pressed", String(heard));
    this.showPosition();
  }

  showPosition() {
    $("position").textContent = `${this.player.position.toFixed(1)} of ${clock(this.player.duration)}`;
    this.waveform.showPosition(this.player.position);
  }
}

// Track after track, so that the page answers while it reads.
async function readTracks() {
  const tracks = [];
  for (let number = 0; number < data.tracks.length; number += 1) {
    $("reading").textContent = `Reading track ${number + 1} of ${data.tracks.length}`;
    await new Promise((resolve) => setTimeout(resolve));
    tracks.push(await embeddedTrack(number, data.sampleRate, data.frames));
  }
  return tracks;
}

readTracks().then((tracks) => {
  window.auditionPage = new Page(tracks);
  $("reading").hidden = true;
  $("controls").disabled = false;
}, (fault) => {
  $("reading").textContent =
    `This browser cannot read the page's FLAC audio (${fault.message || fault}); ` +
    "the WAV files lie beside the page.";
});
