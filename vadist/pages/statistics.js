// Probability of at least `right` right answers in `trials` by guessing (one-sided binomial, 1/2).
function guessingProbability(right, trials) {
  let term = 0.5 ** trials; // C(trials, trials) / 2^trials, then downwards
  let sum = 0;
  for (let k = trials; k >= right; k -= 1) {
    sum += term;
    term *= k / (trials - k + 1);
  }
  return Math.min(sum, 1);
}

// Fewest right answers that guessing reaches in at most one of twenty tests.
function neededRight(trials) {
  for (let right = 0; right <= trials; right += 1) {
    if (guessingProbability(right, trials) <= 0.05) return right;
  }
  return null;
}

function formatProbability(p) {
  return p < 0.001 ? p.toExponential(1) : p.toFixed(3);
}

// A fair coin, also from a page opened from disk.
function coin() {
  return crypto.getRandomValues(new Uint8Array(1))[0] % 2 === 1;
}
