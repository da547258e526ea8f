// Keys, as the page lists them. A key that the focused field needs stays with the field.

function keyTaken(event) {
  if (event.ctrlKey || event.metaKey || event.altKey) return true;
  const { target } = event;
  if (target.matches("select, input:not([type=radio]):not([type=checkbox])")) return true;
  const typed = event.key === " " || event.key.startsWith("Arrow") || event.key === "Enter";
  if (event.key === " " && target.matches("input[type=radio]")) return false;
  return typed && target.matches("button, summary, a, input");
}

function listenToKeys(actions) {
  document.addEventListener("keydown", (event) => {
    if (keyTaken(event)) return;
    const action = actions(event);
    if (!action) return;
    event.preventDefault();
    action();
  });
}

// Digits choose at once; a second one soon after makes a number of two, where there are so many.
const NUMBER_MS = 900;

class NumberKeys {
  constructor(count, choose) {
    Object.assign(this, { count, choose, tens: 0, until: 0 });
  }

  // Action of a digit, or undefined if it leads to no track.
  typed(key, now = performance.now()) {
    if (!/^[0-9]$/.test(key)) return undefined;
    const digit = Number(key);
    const whole = now < this.until ? 10 * this.tens + digit : digit;
    const number = whole <= this.count ? whole : digit;
    if (number < 1 || number > this.count) return undefined;
    return () => {
      this.tens = number;
      this.until = number * 10 <= this.count ? now + NUMBER_MS : 0;
      this.choose(number - 1);
    };
  }
}
