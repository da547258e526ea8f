// All tracks play at once from one start time; what is heard is a matter of gains. Switching thus
// never moves in time, and a fade of 5 ms keeps it from clicking.

const FADE_S = 0.005;
const START_AHEAD_S = 0.03; // room to prepare all sources before they start together

class Player extends EventTarget {
  constructor(tracks, sampleRate) {
    super();
    this.tracks = tracks;
    this.duration = tracks[0].frames / sampleRate;
    this.sampleRate = sampleRate;
    this.gains = tracks.map((_, k) => (k === 0 ? 1 : 0));
    this.loop = null;
    this.playing = false;
    this.offset = 0; // where playing (re)starts
    this.startedAt = 0;
    this.volume = 1;
    this.voices = [];
  }

  // One source and one gain for each track, on any kind of audio context.
  static connect(context, buffers, destination) {
    return buffers.map((buffer) => {
      const source = new AudioBufferSourceNode(context, { buffer });
      const gain = new GainNode(context, { gain: 0 });
      source.connect(gain).connect(destination);
      return { source, gain };
    });
  }

  static startTogether(voices, when, offset, loop) {
    for (const { source } of voices) {
      source.loop = Boolean(loop);
      if (loop) [source.loopStart, source.loopEnd] = loop;
      source.start(when, offset);
    }
  }

  // Straight fades from the present gains to the wanted ones: the tracks are alike, so their sum
  // keeps its level.
  static fade(voices, gains, now) {
    voices.forEach(({ gain }, k) => {
      gain.gain.cancelScheduledValues(now);
      gain.gain.setValueAtTime(gain.gain.value, now);
      gain.gain.linearRampToValueAtTime(gains[k], now + FADE_S);
    });
  }

  open() {
    if (this.context) return;
    this.context = new AudioContext({ sampleRate: this.sampleRate });
    this.master = new GainNode(this.context, { gain: this.volume });
    this.master.connect(this.context.destination);
    this.buffers = this.tracks.map((track) => track.buffer);
  }

  async play() {
    if (this.playing) return;
    this.open();
    this.playing = true; // before any wait: a second press must not start a second set
    await this.context.resume();
    if (this.playing) this.begin();
    this.changed();
  }

  begin() {
    this.silence();
    if (this.offset >= this.duration) this.offset = 0;
    if (this.loop && (this.offset < this.loop[0] || this.offset >= this.loop[1])) {
      this.offset = this.loop[0];
    }
    const voices = Player.connect(this.context, this.buffers, this.master);
    this.startedAt = this.context.currentTime + START_AHEAD_S;
    Player.startTogether(voices, this.startedAt, this.offset, this.loop);
    voices.forEach(({ gain }, k) => gain.gain.setValueAtTime(this.gains[k], this.startedAt));
    voices[0].source.onended = () => {
      if (this.voices === voices) this.stop();
    };
    this.voices = voices;
  }

  silence() {
    const now = this.context.currentTime;
    const old = this.voices;
    this.voices = [];
    if (!old.length) return;
    Player.fade(old, old.map(() => 0), now);
    for (const { source } of old) source.stop(now + FADE_S);
  }

  pause() {
    if (!this.playing) return;
    this.offset = this.position;
    this.playing = false;
    if (this.context) this.silence();
    this.changed();
  }

  stop() {
    this.playing = false;
    this.voices = [];
    this.offset = this.loop ? this.loop[0] : 0;
    this.changed();
  }

  // Where in the take the ear is, in seconds.
  get position() {
    if (!this.playing || !this.voices.length) return this.offset;
    const run = this.offset + Math.max(this.context.currentTime - this.startedAt, 0);
    if (!this.loop) return Math.min(run, this.duration);
    const [from, to] = this.loop;
    return run < to ? run : from + ((run - from) % (to - from));
  }

  seek(seconds) {
    this.offset = Math.min(Math.max(seconds, 0), this.duration);
    if (this.playing && this.context && this.voices.length) this.begin();
    this.changed();
  }

  // Hear a mix: one gain for each track.
  hear(gains) {
    this.gains = gains;
    if (this.voices.length) Player.fade(this.voices, gains, this.context.currentTime);
    this.changed();
  }

  hearTrack(number) {
    this.hear(this.tracks.map((_, k) => (k === number ? 1 : 0)));
  }

  setLoop(loop) {
    const here = this.position;
    this.loop = loop;
    this.seek(here);
  }

  setVolume(volume) {
    this.volume = volume;
    if (this.master) this.master.gain.setTargetAtTime(volume, this.context.currentTime, FADE_S);
  }

  changed() {
    this.dispatchEvent(new Event("change"));
  }
}

const calm = matchMedia("(prefers-reduced-motion: reduce)");

// Shows where a player is while it plays: at every picture, or twice a second for who wants calm.
function follow(player, show) {
  const turn = () => {
    if (player.playing) show();
    if (calm.matches) setTimeout(turn, 500);
    else requestAnimationFrame(turn);
  };
  turn();
}
