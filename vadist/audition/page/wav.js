// Audio that stands in the page as base64 WAV: read here, so that every browser hears the same
// samples and none of them resamples.

function bytesOfBase64(text) {
  const binary = atob(text.trim());
  const bytes = new Uint8Array(binary.length);
  for (let k = 0; k < binary.length; k += 1) bytes[k] = binary.charCodeAt(k);
  return bytes;
}

// Channels of a WAV file with the 44-byte header the page is built with.
function readWav(bytes) {
  const view = new DataView(bytes.buffer, bytes.byteOffset, bytes.byteLength);
  const channels = view.getUint16(22, true);
  const rate = view.getUint32(24, true);
  const width = view.getUint16(34, true) / 8;
  const frames = view.getUint32(40, true) / (channels * width);
  const scale = 2 ** (1 - 8 * width);
  const data = Array.from({ length: channels }, () => new Float32Array(frames));
  let at = 44;
  for (let frame = 0; frame < frames; frame += 1) {
    for (let channel = 0; channel < channels; channel += 1) {
      const step =
        width === 2
          ? view.getInt16(at, true)
          : (view.getInt8(at + 2) << 16) | view.getUint16(at, true);
      data[channel][frame] = step * scale;
      at += width;
    }
  }
  return { rate, frames, channels: data };
}

function embeddedTrack(number) {
  return readWav(bytesOfBase64(document.getElementById(`audio-${number}`).textContent));
}
