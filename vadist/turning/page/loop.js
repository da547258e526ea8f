// The loop and its clock. Whatever is heard starts at a whole frame of one clock and at the frame
// of the loop that is due then, so that one sound takes the place of another sample for sample.

const LOOP_FADE_S = 0.01; // long enough not to click, too short to be heard as two
const LOOP_AHEAD_S = 0.02; // room to prepare a source before it starts

class LoopPlayer extends EventTarget {
  constructor(rate, frames) {
    super();
    Object.assign(this, { rate, frames, playing: false, volume: 1, matched: true });
    this.voice = null;
    this.sound = null;
    this.offset = 0; // frame of the loop at which playing goes on
    this.free = 0; // time from which the next fade may begin
  }

  get duration() {
    return this.frames / this.rate;
  }

  open() {
    if (this.context) return;
    this.context = new AudioContext({ sampleRate: this.rate, latencyHint: "interactive" });
    this.master = new GainNode(this.context, { gain: this.volume });
    this.master.connect(this.context.destination);
  }

  async play() {
    if (this.playing) return;
    this.open();
    this.playing = true; // before any wait: a second press must not start a second one
    await this.context.resume();
    if (this.playing) {
      this.origin = this.context.currentTime + LOOP_AHEAD_S - this.offset / this.rate;
      this.start();
    }
    this.changed();
  }

  pause() {
    if (!this.playing) return;
    this.offset = Math.round(this.position * this.rate) % this.frames;
    this.playing = false;
    if (this.voice) this.end(this.voice, this.context.currentTime);
    this.voice = null;
    this.changed();
  }

  // Seconds into the loop.
  get position() {
    if (!this.playing || this.origin === undefined) return this.offset / this.rate;
    const run = this.context.currentTime - this.origin;
    return ((run % this.duration) + this.duration) % this.duration;
  }

  factor(sound) {
    return 10 ** ((this.matched ? sound.matched : sound.true) / 20);
  }

  // Hear a sound from the frame that is due on; returns when, in seconds of the page's clock.
  hear(sound) {
    this.sound = sound;
    const when = this.playing && this.origin !== undefined ? this.start() : null;
    this.changed();
    return when;
  }

  start() {
    const { context, rate, sound } = this;
    if (!sound) return null;
    const now = context.currentTime;
    const frame = Math.ceil((Math.max(now + LOOP_AHEAD_S, this.free) - this.origin) * rate);
    const when = this.origin + frame / rate;
    const source = new AudioBufferSourceNode(context, { buffer: sound.buffer, loop: true });
    const gain = new GainNode(context, { gain: 0 });
    gain.gain.setValueAtTime(0, when);
    gain.gain.linearRampToValueAtTime(this.factor(sound), when + LOOP_FADE_S);
    source.connect(gain).connect(this.master);
    source.start(when, (frame % this.frames) / rate);
    if (this.voice) this.end(this.voice, when);
    this.voice = { source, gain, sound, when };
    this.free = when + LOOP_FADE_S;
    return performance.now() / 1000 + when - now;
  }

  end({ source, gain, sound }, when) {
    gain.gain.setValueAtTime(this.factor(sound), when);
    gain.gain.linearRampToValueAtTime(0, when + LOOP_FADE_S);
    source.stop(when + LOOP_FADE_S);
  }

  setMatched(matched) {
    if (this.voice) {
      const { gain, sound } = this.voice;
      const now = Math.max(this.context.currentTime, this.free);
      gain.gain.setValueAtTime(this.factor(sound), now);
      this.matched = matched;
      gain.gain.linearRampToValueAtTime(this.factor(sound), now + LOOP_FADE_S);
      this.free = now + LOOP_FADE_S;
    }
    this.matched = matched;
    this.changed();
  }

  setVolume(volume) {
    this.volume = volume;
    if (this.master) this.master.gain.setTargetAtTime(volume, this.context.currentTime, 0.005);
  }

  changed() {
    this.dispatchEvent(new Event("change"));
  }
}
