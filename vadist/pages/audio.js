// Audio that stands in the page as base64 FLAC. It is decoded at its own sample rate, so every
// browser hears the same samples and none of them resamples.

function bytesOfBase64(text) {
  const binary = atob(text.trim());
  const bytes = new Uint8Array(binary.length);
  for (let k = 0; k < binary.length; k += 1) bytes[k] = binary.charCodeAt(k);
  return bytes;
}

async function embeddedTrack(number, rate, frames) {
  const element = document.getElementById(`audio-${number}`);
  const text = element.textContent;
  element.remove(); // it is as large as the audio
  return decodedTrack(text, number, rate, frames);
}

async function decodedTrack(text, number, rate, frames) {
  const bytes = bytesOfBase64(text);
  const buffer = await new OfflineAudioContext(1, 1, rate).decodeAudioData(bytes.buffer);
  if (buffer.length !== frames || buffer.sampleRate !== rate) {
    throw new Error(`track ${number + 1} came out as ${buffer.length} frames of ${frames}`);
  }
  const channels = Array.from({ length: buffer.numberOfChannels }, (_, k) =>
    buffer.getChannelData(k));
  return { rate, frames, channels, buffer };
}
