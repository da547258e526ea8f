// Values as fields. What is typed is sent when it is entered; arrow keys and the wheel step, and
// steps that come faster than answers are added up.

function made(name, properties = {}, ...children) {
  const element = document.createElement(name);
  for (const [key, value] of Object.entries(properties)) {
    if (key.includes("-") || key === "role" || key === "for") element.setAttribute(key, value);
    else element[key] = value;
  }
  element.append(...children);
  return element;
}

class Fields {
  // `turn(path, text, stamp)` changes a value; `step(path, by)` asks for the text of a step.
  constructor(turn, step, problem) {
    Object.assign(this, { turn, step, problem });
    this.inputs = new Map();
    this.ranges = new Map();
    this.checks = new Map();
    this.notes = new Map();
    this.first = new Map();
    this.asking = new Map();
  }

  build({ fields, blocks }) {
    for (const { path, text } of fields) this.first.set(path, text);
    for (const { name, text } of blocks) this.first.set(name, text);
    const knobs = fields.filter((each) => each.group === "knobs");
    document.getElementById("knobs").replaceChildren(...knobs.map((each) => this.knob(each)));
    document.getElementById("knobs-section").hidden = !knobs.length;
    const groups = [...blocks.map((b) => b.name), "supply", "source", "load", "ambient"];
    document.getElementById("blocks").replaceChildren(...groups.map((group) => {
      const own = fields.filter((each) => each.group === group);
      return this.block(group, blocks.find((b) => b.name === group), own);
    }));
  }

  block(group, block, fields) {
    const legend = made("legend", {}, made("strong", { textContent: group.replaceAll("_", " ") }));
    const box = made("fieldset", { className: "block", id: `block-${group}` }, legend);
    if (block) {
      legend.append(made("span", { className: "job", textContent: block.job }));
      const check = made("input", { type: "checkbox", checked: block.text === "in" });
      check.addEventListener("change", (event) =>
        this.turn(group, check.checked ? "in" : "none", event.timeStamp));
      this.checks.set(group, { check, box });
      legend.append(made("label", { className: "check" }, check, "in the circuit"));
    }
    box.append(made("div", { className: "values" }, ...fields.map((each) => this.value(each))));
    return box;
  }

  what(field, id) {
    const { marks, name, path } = field;
    const was = made("span", { className: "was", id: `was-${path}` });
    this.notes.set(path, was);
    const label = made("label", { for: id });
    if (marks.length) {
      label.append(made("span", { className: "mark", textContent: marks.join(" ") }), " ");
    }
    label.append(name);
    return made("span", { className: "what", title: field.purpose }, label, was);
  }

  value(field) {
    const id = `value-${field.path}`;
    const input = field.choices.length ? this.select(field, id) : this.typed(field, id);
    return made("div", { className: "value" }, this.what(field, id), input);
  }

  knob(field) {
    const id = `value-${field.path}`;
    const input = this.typed(field, id);
    const range = made("input", {
      type: "range", min: 0, max: 1, step: 0.01, value: field.text,
      "aria-label": `${field.name}, rotation`,
    });
    range.addEventListener("input", (event) =>
      this.turn(field.path, String(Number(range.value)), event.timeStamp));
    this.ranges.set(field.path, range);
    return made("div", { className: "value knob" }, this.what(field, id), range, input);
  }

  select(field, id) {
    const options = field.choices.map((text) => made("option", { value: text, textContent: text }));
    const select = made("select", { id, title: field.purpose }, ...options);
    select.value = field.text;
    select.addEventListener("change", (event) =>
      this.turn(field.path, select.value, event.timeStamp));
    this.inputs.set(field.path, select);
    return select;
  }

  typed(field, id) {
    const { path } = field;
    const input = made("input", {
      type: "text", id, value: field.text, autocomplete: "off", spellcheck: false,
      title: field.purpose, "aria-describedby": `was-${path}`,
    });
    this.inputs.set(path, input);
    const enter = (event) => {
      if (input.value.trim() !== this.shown(path)) {
        this.turn(path, input.value.trim(), event.timeStamp);
      }
    };
    input.addEventListener("change", enter);
    input.addEventListener("keydown", (event) => {
      const by = { ArrowUp: 1, ArrowDown: -1, PageUp: 6, PageDown: -6 }[event.key];
      if (event.key === "Escape") {
        input.value = this.shown(path);
      } else if (by && field.steps && !event.ctrlKey && !event.metaKey && !event.altKey) {
        event.preventDefault();
        this.stepBy(path, by, event.timeStamp);
      }
    });
    input.addEventListener("wheel", (event) => {
      if (document.activeElement !== input || !field.steps || !event.deltaY) return;
      event.preventDefault();
      this.stepBy(path, event.deltaY < 0 ? 1 : -1, event.timeStamp);
    }, { passive: false });
    return input;
  }

  shown(path) {
    return this.texts ? this.texts(path) : this.first.get(path);
  }

  async stepBy(path, by, stamp) {
    const waiting = this.asking.get(path);
    if (waiting) {
      waiting.by += by;
      waiting.stamp = stamp;
      return;
    }
    const own = { by, stamp };
    this.asking.set(path, own);
    try {
      while (own.by) {
        const now = own.by;
        own.by = 0;
        const text = await this.step(path, Math.max(-48, Math.min(48, now)));
        this.turn(path, text, own.stamp);
      }
    } catch (fault) {
      this.problem(fault.message, path);
    } finally {
      this.asking.delete(path);
    }
  }

  // Show what stands in a design, with the reference's value behind what differs.
  show(texts) {
    this.texts = (path) => texts[path] ?? this.first.get(path);
    for (const [path, input] of this.inputs) {
      const text = this.texts(path);
      if (input.tagName === "SELECT" && ![...input.options].some((o) => o.value === text)) {
        input.append(made("option", { value: text, textContent: text }));
      }
      if (input.value !== text) input.value = text;
      input.removeAttribute("aria-invalid");
      const range = this.ranges.get(path);
      if (range) range.value = text.endsWith("%") ? parseFloat(text) / 100 : text;
      const changed = text !== this.first.get(path);
      this.notes.get(path).textContent = changed ? `was ${this.first.get(path)}` : "";
    }
    for (const [name, { check, box }] of this.checks) {
      check.checked = this.texts(name) === "in";
      box.classList.toggle("out", !check.checked);
    }
  }

  refuse(path) {
    this.inputs.get(path)?.setAttribute("aria-invalid", "true");
  }

  focus(path) {
    const input = this.inputs.get(path);
    input?.focus();
    input?.select?.();
  }
}
