// ABX: X is A or B, drawn anew for each trial. Whoever hears a difference is right more often
// than a coin; the number of trials is fixed beforehand, for stopping at a lucky moment proves
// nothing.

class BlindTest extends EventTarget {
  constructor(a, b, trials) {
    super();
    Object.assign(this, { a, b, total: trials, answers: [], shown: null });
    this.next();
  }

  next() {
    this.secret = coin() ? "A" : "B";
    this.begun = performance.now();
    this.switches = 0;
  }

  // Track behind a letter.
  track(letter) {
    const real = letter === "X" ? this.secret : letter;
    return real === "A" ? this.a : this.b;
  }

  answer(letter) {
    if (this.finished) return;
    const seconds = Math.round((performance.now() - this.begun) / 100) / 10;
    const right = letter === this.secret;
    this.answers.push({
      trial: this.answers.length + 1, x: this.secret, answer: letter, right,
      switches: this.switches, seconds,
    });
    if (!this.finished) this.next();
  }

  get finished() {
    return this.answers.length >= this.total;
  }

  get right() {
    return this.answers.filter((answer) => answer.right).length;
  }

  get probability() {
    return guessingProbability(this.right, this.answers.length);
  }

  results(names, take) {
    return {
      test: "ABX", take, a: names[this.a], b: names[this.b], trials: this.answers.length,
      right: this.right, p_value: this.probability,
      p_value_meaning: "one-sided binomial: probability of at least so many right by guessing",
      finished: new Date().toISOString(), answers: this.answers,
    };
  }
}

function csvOf(results) {
  const quoted = (text) => `"${String(text).replaceAll('"', '""')}"`;
  const lines = ["take,a,b,trial,x,answer,right,switches,seconds"];
  for (const { trial, x, answer, right, switches, seconds } of results.answers) {
    const names = [results.take, results.a, results.b].map(quoted);
    lines.push([...names, trial, x, answer, right ? 1 : 0, switches, seconds].join(","));
  }
  return `${lines.join("\n")}\n`;
}

function download(name, type, text) {
  const link = document.createElement("a");
  link.href = URL.createObjectURL(new Blob([text], { type }));
  link.download = name;
  link.click();
  setTimeout(() => URL.revokeObjectURL(link.href), 10000);
}

// The test's part of the page.
class BlindTestPanel {
  constructor(player, data, say, whenRunning) {
    Object.assign(this, { player, data, say, whenRunning, test: null });
    this.names = data.tracks.map((track) => track.name);
    this.el = (id) => document.getElementById(`blind-${id}`);
    this.el("setup").addEventListener("submit", (event) => {
      event.preventDefault();
      this.start();
    });
    for (const letter of ["A", "B", "X"]) {
      this.el(`hear-${letter}`).addEventListener("click", () => this.hear(letter));
    }
    for (const letter of ["A", "B"]) {
      this.el(`is-${letter}`).addEventListener("click", () => this.answer(letter));
    }
    this.el("leave").addEventListener("click", () => this.leave());
    this.el("json").addEventListener("click", () => download(
      "blind-test.json", "application/json",
      `${JSON.stringify(this.finalResults, null, 2)}\n`));
    this.el("csv").addEventListener("click", () => download(
      "blind-test.csv", "text/csv", csvOf(this.finalResults)));
    this.el("trials").addEventListener("input", () => this.explainTrials());
    for (const letter of ["a", "b"]) {
      this.el(letter).addEventListener("change", () => this.warn(""));
    }
    this.warn("");
    this.explainTrials();
  }

  get running() {
    return Boolean(this.test) && !this.test.finished;
  }

  explainTrials() {
    const trials = Number(this.el("trials").value);
    const needed = neededRight(trials);
    this.el("needed").textContent = needed === null
      ? "Too few trials to tell hearing from guessing."
      : `${needed} of ${trials} right would be guessing in fewer than one test of twenty.`;
  }

  // Say what is wrong with the pair; the button then tells that a second press starts all the same.
  warn(text, again = false) {
    this.el("problem").textContent = text;
    this.warned = again;
    this.el("start").textContent = again ? "Start all the same" : "Start the blind test";
    if (text) this.say(text);
  }

  start() {
    const [a, b] = [Number(this.el("a").value), Number(this.el("b").value)];
    if (a === b) {
      this.warn("Choose two different tracks for A and B.");
      return;
    }
    const [ours, theirs] = [this.player.tracks[a], this.player.tracks[b]];
    if (!this.warned && sameSound(ours, theirs, this.data.bits)) {
      this.warn("A and B are the same, sample for sample: every answer will be a guess.", true);
      return;
    }
    this.warn("");
    this.test = new BlindTest(a, b, Number(this.el("trials").value));
    this.el("setup").hidden = true;
    this.el("done").hidden = true;
    this.el("run").hidden = false;
    this.el("letter-A").textContent = this.names[a];
    this.el("letter-B").textContent = this.names[b];
    this.whenRunning(true);
    this.player.play();
    this.hear("X");
    this.refresh();
    this.el("hear-X").focus();
  }

  hear(letter) {
    this.test.shown = letter;
    this.test.switches += 1;
    for (const each of ["A", "B", "X"]) {
      this.el(`hear-${each}`).setAttribute("aria-pressed", String(each === letter));
    }
    this.player.hearTrack(this.test.track(letter));
    if (!this.player.playing) this.player.play();
    this.say(`Hearing ${letter}`);
  }

  answer(letter) {
    this.test.answer(letter);
    if (this.test.finished) {
      this.finish();
      return;
    }
    this.hear("X");
    this.refresh();
    this.say(`${this.el("trial").textContent}. ${this.el("score").textContent}`);
  }

  refresh() {
    const { answers, total, right, probability } = this.test;
    this.el("trial").textContent = `Trial ${answers.length + 1} of ${total}`;
    this.el("score").textContent = !this.el("running-score").checked
      ? "The score is shown at the end."
      : answers.length
        ? `${right} of ${answers.length} right, p = ${formatProbability(probability)} by guessing`
        : "No answers yet";
  }

  finish() {
    const { test } = this;
    this.finalResults = test.results(this.names, this.data.take);
    const p = formatProbability(test.probability);
    const verdict = test.probability <= 0.05
      ? "Guessing would do as well in fewer than one test of twenty: a difference was heard."
      : "Guessing does as well often enough: this test shows no audible difference, which does " +
        "not prove that there is none.";
    this.el("verdict").textContent =
      `${test.right} of ${test.total} right, p = ${p}. ${verdict}`;
    this.el("pair").textContent = `A: ${this.names[test.a]}. B: ${this.names[test.b]}.`;
    this.el("rows").replaceChildren(...test.answers.map((answer) => {
      const row = document.createElement("tr");
      const cells = [answer.trial, answer.x, answer.answer, answer.right ? "yes" : "no",
        answer.switches, answer.seconds];
      row.append(...cells.map((text) => {
        const cell = document.createElement("td");
        cell.textContent = text;
        return cell;
      }));
      return row;
    }));
    this.close();
    this.el("done").hidden = false;
    this.say(this.el("verdict").textContent);
    this.el("json").focus();
  }

  leave() {
    this.test = null;
    this.close();
    this.say("Blind test left");
    this.el("start").focus();
  }

  close() {
    this.player.pause();
    this.el("run").hidden = true;
    this.el("setup").hidden = false;
    this.whenRunning(false);
  }
}
