// The page of a session: a take is decoded when it is chosen, its designs play all at once.

const data = JSON.parse(document.getElementById("session-data").textContent);
const $ = (id) => document.getElementById(id);

// Texts of a take's tracks: in the page, or in a script beside it.
async function textsOf(number) {
  if (!sessionTexts.has(number)) {
    await new Promise((resolve, reject) => {
      const script = document.createElement("script");
      script.src = `${data.folder}/${number}.js`;
      script.onload = resolve;
      script.onerror = () => reject(new Error(`${script.src} cannot be read`));
      document.head.append(script);
    });
  }
  const texts = sessionTexts.get(number);
  if (data.folder) sessionTexts.delete(number); // it can be read again
  return texts;
}

class SessionPage {
  constructor() {
    this.player = null;
    this.take = 0;
    this.chosen = 0;
    this.asked = 0;
    $("play").addEventListener("click", () => this.toggle());
    $("volume").addEventListener("input", () => this.setVolume());
    $("take").addEventListener("change", () => this.open(Number($("take").value)));
    listenToKeys((event) => this.key(event));
    this.ready = this.open(0);
    this.follow();
  }

  async open(number) {
    const playing = this.player?.playing ?? false;
    const mine = (this.asked += 1);
    this.player?.pause();
    this.player?.context?.close();
    this.player = null;
    this.take = number;
    $("take").value = String(number);
    $("play").disabled = true;
    const { name, tracks, rate, frames } = data.takes[number];
    $("reading").textContent = `Reading ${name}`;
    try {
      const texts = await textsOf(number);
      const read = [];
      for (let k = 0; k < texts.length; k += 1) {
        read.push(await decodedTrack(texts[k], k, rate, frames));
      }
      if (mine !== this.asked) return; // another take was asked for meanwhile
      this.player = new Player(read, rate);
    } catch (fault) {
      $("reading").textContent = `This take cannot be read (${fault.message || fault})`;
      return;
    }
    this.player.addEventListener("change", () => this.refresh());
    this.numbers = new NumberKeys(tracks.length, (k) => this.choose(k));
    this.showTracks(tracks);
    this.setVolume();
    this.choose(Math.min(this.chosen, tracks.length - 1));
    $("reading").textContent = "";
    $("play").disabled = false;
    $("announce").textContent = name;
    if (playing) await this.player.play();
    this.refresh();
  }

  showTracks(tracks) {
    $("tracks").replaceChildren(...tracks.map((name, k) => {
      const label = document.createElement("label");
      const radio = document.createElement("input");
      const key = document.createElement("span");
      const text = document.createElement("span");
      label.className = "track";
      Object.assign(radio, { type: "radio", name: "track", value: String(k) });
      radio.addEventListener("change", () => this.choose(k));
      key.className = "key";
      key.setAttribute("aria-hidden", "true");
      key.textContent = String(k + 1);
      text.className = "name";
      text.textContent = name;
      label.append(radio, key, text);
      return label;
    }));
  }

  choose(number) {
    this.chosen = number;
    document.querySelectorAll("input[name=track]")[number].checked = true;
    this.player.hearTrack(number);
    $("announce").textContent = data.takes[this.take].tracks[number];
  }

  key(event) {
    const { player } = this;
    if (!player) return undefined;
    const count = data.takes[this.take].tracks.length;
    const takes = data.takes.length;
    const move = (seconds) => () => player.seek(player.position + seconds);
    return this.numbers.typed(event.key) ?? {
      " ": () => this.toggle(),
      n: () => this.choose((this.chosen + 1) % count),
      p: () => this.choose((this.chosen || count) - 1),
      j: () => this.open((this.take + 1) % takes),
      k: () => this.open((this.take || takes) - 1),
      Home: () => player.seek(0),
      ArrowLeft: move(-1),
      ArrowRight: move(1),
    }[event.key.length === 1 ? event.key.toLowerCase() : event.key];
  }

  toggle() {
    if (this.player.playing) this.player.pause();
    else this.player.play();
  }

  setVolume() {
    const decibels = Number($("volume").value);
    this.player?.setVolume(10 ** (decibels / 20));
    $("volume-text").textContent = `${decibels} dB`;
  }

  refresh() {
    if (!this.player) return;
    $("play").textContent = this.player.playing ? "Pause" : "Play";
    $("position").textContent =
      `${this.player.position.toFixed(1)} of ${this.player.duration.toFixed(2)} s`;
  }

  follow() {
    setInterval(() => this.player?.playing && this.refresh(), 100);
  }
}

window.sessionPage = new SessionPage();
