// What the page asks of the server. Of each kind of question the newest counts: an answer to an
// older one is dropped, here and there.

class Desk {
  constructor() {
    this.token = document.querySelector("meta[name=turn-token]").content;
    this.client = Array.from(crypto.getRandomValues(new Uint8Array(16)), (b) =>
      b.toString(16).padStart(2, "0")).join("");
    this.numbers = {};
    this.lost = () => {};
  }

  async post(name, body) {
    let response;
    try {
      response = await fetch(`/${name}`, {
        method: "POST",
        headers: {
          "content-type": "application/json", "x-turn-token": this.token,
          "x-turn-client": this.client,
        },
        body: JSON.stringify(body),
      });
    } catch {
      this.lost();
      throw new Error("vadist has stopped; start it again and open the address it prints");
    }
    if (response.ok) return response;
    throw new Error((await response.json()).error);
  }

  // The answer, or null if a newer question was asked meanwhile; the server then says nothing.
  async newest(name, body) {
    const number = (this.numbers[name] || 0) + 1;
    this.numbers[name] = number;
    try {
      const response = await this.post(name, { ...body, number });
      return this.numbers[name] !== number || response.status === 204 ? null : response;
    } catch (fault) {
      if (this.numbers[name] !== number) return null;
      throw fault;
    }
  }

  async told(name, body) {
    const response = await this.newest(name, body);
    return response && response.json();
  }

  async asked(name, body) {
    return (await this.post(name, body)).json();
  }

  // A loop: what is told of it, and its samples channel by channel in volts.
  async sound(settings, draft) {
    const response = await this.newest("sound", { settings, draft: draft ? 1 : 0 });
    if (!response) return null;
    const bytes = await response.arrayBuffer();
    const length = new DataView(bytes).getUint32(0, true);
    const head = JSON.parse(new TextDecoder().decode(new Uint8Array(bytes, 4, length)));
    const samples = new Float32Array(bytes, 4 + length);
    const buffer = new AudioBuffer({
      length: head.frames, numberOfChannels: head.channels, sampleRate: head.rate,
    });
    const channels = [];
    for (let k = 0; k < head.channels; k += 1) {
      channels.push(samples.subarray(k * head.frames, (k + 1) * head.frames));
      buffer.copyToChannel(channels[k], k);
    }
    return { ...head, buffer, channels };
  }
}
