// A walk: every sound plays on one clock, buttons under the blocks choose which is heard.

const data = JSON.parse(document.getElementById("walk-data").textContent);
const $ = (id) => document.getElementById(id);

function say(text) {
  $("announce").textContent = text;
}

class WalkPage {
  // `tracks` holds those that can be heard; `numbers` says which track of the walk each one is.
  constructor(tracks, numbers) {
    this.numbers = numbers;
    this.player = new Player(tracks, data.sampleRate);
    const rows = numbers.map((number) => data.tracks[number]);
    this.waveform = new Waveform($("waveform"), tracks, rows, this.player.duration);
    this.buttons = [...document.querySelectorAll("button[data-track]")];
    this.keys = new NumberKeys(data.stops.length, (stop) => this.go(stop));
    this.stop = 0;
    this.loopStart = null;
    this.tieControls();
    const first = data.tracks[data.whole].silent ? 0 : data.whole; // the dry take never is
    this.hear(first, [first]);
    this.player.addEventListener("change", () => this.refresh());
    new ResizeObserver(() => this.draw()).observe($("waveform-figure"));
    this.setVolume();
    this.refresh();
    follow(this.player, () => this.showPosition());
  }

  tieControls() {
    $("play").addEventListener("click", () => this.toggle());
    $("volume").addEventListener("input", () => this.setVolume());
    $("loop-clear").addEventListener("click", () => this.setLoop(null));
    tieWaveform(this.waveform, this.player, (limits) => this.setLoop(limits));
    for (const radio of document.querySelectorAll("input[name=level]")) {
      radio.addEventListener("change", () => this.hear(this.track, this.group));
    }
    for (const button of this.buttons) {
      if (button.dataset.silent === undefined) button.disabled = false;
      button.addEventListener("click", () => {
        const number = Number(button.closest(".stop").id.replace("block-", ""));
        this.mark(number - 1);
        this.press(button);
      });
    }
    listenToKeys((event) => this.key(event));
  }

  key(event) {
    const { player } = this;
    const move = (seconds) => () => player.seek(player.position + seconds);
    const last = data.stops.length - 1;
    return this.keys.typed(event.key) ?? {
      " ": () => this.toggle(),
      n: () => this.go(Math.min(this.stop + 1, last)),
      p: () => this.go(Math.max(this.stop - 1, 0)),
      b: () => this.at("before"),
      a: () => this.at("after"),
      w: () => this.at("whole"),
      o: () => this.at("without"),
      t: () => this.turnLevels(),
      "[": () => this.markLoop(),
      "]": () => this.setLoop([this.loopStart ?? 0, player.position]),
      l: () => this.setLoop(null),
      Home: () => player.seek(player.loop ? player.loop[0] : 0),
      ArrowLeft: move(-1),
      ArrowRight: move(1),
    }[event.key.length === 1 ? event.key.toLowerCase() : event.key];
  }

  // To a block: its heading gets the focus, and what leaves it is heard if anything plays.
  go(number) {
    this.mark(number);
    const title = $(`title-${number + 1}`);
    title.focus({ preventScroll: true });
    title.scrollIntoView({ behavior: calm.matches ? "auto" : "smooth", block: "start" });
    this.at("after");
  }

  mark(number) {
    this.stop = number;
    document.querySelector(".stop.current")?.classList.remove("current");
    $(`block-${number + 1}`).classList.add("current");
  }

  // One of the four places of the present block.
  at(place) {
    const stop = data.stops[this.stop];
    const [pair, both] = [[stop.before, stop.after], [data.whole, stop.without]];
    const track = { before: pair[0], after: pair[1], whole: both[0], without: both[1] }[place];
    if (track === null || data.tracks[track].silent) {
      say(track === null ? "It cannot be left out" : "Silent");
      return;
    }
    this.hear(track, place === "before" || place === "after" ? pair : both);
  }

  press(button) {
    this.hear(Number(button.dataset.track), button.dataset.group.split(",").map(Number));
    if (!this.player.playing) this.player.play();
  }

  // A track among those beside which its true level counts.
  hear(track, group) {
    this.track = track;
    this.group = group.filter((number) => number !== null);
    const heard = this.numbers.indexOf(track);
    const gain = this.gain(track);
    this.player.hear(this.numbers.map((_, k) => (k === heard ? gain : 0)));
    this.draw();
    say(`${data.tracks[track].name}`);
  }

  // Gain over what stands in the page, where every track has the common loudness.
  gain(track) {
    if (document.querySelector("input[name=level]:checked").value === "matched") return 1;
    const audible = this.group.filter((number) => !data.tracks[number].silent);
    const least = Math.min(...audible.map((number) => data.tracks[number].gainDb));
    return 10 ** ((least - data.tracks[track].gainDb) / 20);
  }

  turnLevels() {
    const other = document.querySelector("input[name=level]:not(:checked)");
    other.checked = true;
    this.hear(this.track, this.group);
    say(other.parentElement.textContent.trim());
  }

  toggle() {
    if (this.player.playing) this.player.pause();
    else this.player.play();
    say(this.player.playing ? "Playing" : "Paused");
  }

  markLoop() {
    this.loopStart = this.player.position;
    say(`Loop starts at ${this.loopStart.toFixed(2)} s`);
  }

  setLoop(limits) {
    const loop = loopOf(limits, this.player.duration);
    this.player.setLoop(loop);
    this.waveform.showLoop(loop);
    $("loop-clear").disabled = !loop;
    say(loop ? `Looping ${loop[0].toFixed(2)} s to ${loop[1].toFixed(2)} s` : "No loop");
  }

  setVolume() {
    const decibels = Number($("volume").value);
    this.player.setVolume(10 ** (decibels / 20));
    $("volume-text").textContent = `${decibels} dB`;
    $("volume").setAttribute("aria-valuetext", `${decibels} decibels`);
  }

  draw() {
    this.waveform.draw(this.numbers.indexOf(this.track), this.player.loop);
    this.waveform.showPosition(this.player.position);
  }

  refresh() {
    const { player } = this;
    $("play").textContent = player.playing ? "Pause" : "Play";
    const group = this.group.join(",");
    for (const button of this.buttons) {
      const mine = Number(button.dataset.track) === this.track && button.dataset.group === group;
      button.setAttribute("aria-pressed", String(mine));
    }
    const decibels = 20 * Math.log10(this.gain(this.track));
    const below = decibels < -0.05 ? `, ${(-decibels).toFixed(1)} dB below the loudest beside it` : "";
    $("hearing").textContent = `Hearing ${data.tracks[this.track].name}${below}`;
    this.showPosition();
  }

  showPosition() {
    const { position, duration } = this.player;
    $("position").textContent = `${position.toFixed(1)} of ${duration.toFixed(2)} s`;
    this.waveform.showPosition(position);
  }
}

// Track after track, so that the page answers while it reads.
async function readTracks() {
  const numbers = [...data.tracks.keys()].filter((number) => !data.tracks[number].silent);
  const tracks = [];
  for (const number of numbers) {
    $("reading").textContent = `Reading sound ${tracks.length + 1} of ${numbers.length}`;
    await new Promise((resolve) => setTimeout(resolve));
    tracks.push(await embeddedTrack(number, data.sampleRate, data.frames));
  }
  return [tracks, numbers];
}

readTracks().then(([tracks, numbers]) => {
  window.walkPage = new WalkPage(tracks, numbers);
  $("reading").textContent = "";
  $("play").disabled = false;
}, (fault) => {
  $("reading").textContent =
    `This browser cannot read the page's FLAC audio (${fault.message || fault}).`;
});
