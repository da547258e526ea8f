// Whether two tracks differ at all: by more than a step of the samples the page holds.

function sameSound(a, b, bits) {
  const step = 2 ** (1 - bits) * 1.001; // each was rounded by half a step
  return a.channels.every((ours, k) => {
    const theirs = b.channels[k];
    for (let frame = 0; frame < ours.length; frame += 1) {
      if (Math.abs(ours[frame] - theirs[frame]) > step) return false;
    }
    return true;
  });
}
