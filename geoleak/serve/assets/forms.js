// The one dialog: fields built from a list, a number pad, choices for thumbs.
export const $ = (id) => document.getElementById(id);
export const NOTHING = "nothing heard";

export function element(name, properties = {}, ...children) {
  const made = Object.assign(document.createElement(name), properties);
  made.append(...children);
  return made;
}

export function button(text, does) {
  const made = element("button", { type: "button", textContent: text });
  made.addEventListener("click", does);
  return made;
}

// `doubt(row, typing)` asks about what can hardly be, while it is typed and once more before it is
// saved, as the button then says; `done(row)` saves it, or returns what is missing.
export function open(title, fields, done, doubt = () => null) {
  $("form-head").textContent = title;
  const values = {};
  const row = () => Object.fromEntries(Object.entries(values).filter(([, value]) => value !== ""));
  let asked = null;
  const say = (text, asks = null) => {
    $("ask").textContent = text || "";
    $("ask").hidden = !text;
    asked = asks;
    $("save").textContent = asks ? "Save it all the same" : "Save";
  };
  $("fields").replaceChildren(...fields.map((field) => build(field, values)));
  $("fields").oninput = () => {
    for (const each of $("fields").children) if (each.follow) each.follow(row());
    say(doubt(row(), true));
  };
  $("save").hidden = !done;
  $("save").onclick = (event) => {
    event.preventDefault();
    const ask = doubt(row(), false);
    if (ask && ask !== asked) return say(ask, ask);
    const why = done(row());
    if (!why) return close();
    say(why);
  };
  say("");
  $("form").showModal();
}

export function close() {
  $("form").close();
  $("fields").replaceChildren();
}

function build(field, values) {
  if (field.note) return element("p", { textContent: field.note });
  if (field.element) return field.element;
  values[field.name] = field.value || "";
  if (field.keys) return pad(field, values);
  if (field.choices && field.choices.length) return choices(field, values);
  const input = element("input", { value: values[field.name], autocomplete: "off" });
  if (field.numeric) input.inputMode = "decimal";
  input.addEventListener("input", () => (values[field.name] = input.value.trim()));
  const label = element("label", {}, field.label, input);
  if (field.options) {
    const list = element("datalist", { id: "list-" + field.name });
    list.append(...field.options.map((each) => new Option(each[1], each[0])));
    input.setAttribute("list", list.id);
    label.append(list);
  }
  return label;
}

// What follows another field does so until it is chosen by hand: `follows(row)` gives its value.
function choices(field, values) {
  let byHand = false;
  const buttons = field.choices.map((each) => {
    const [value, text] = Array.isArray(each) ? each : [each, each];
    const made = button(text, () => {
      byHand = true;
      values[field.name] = field.optional && values[field.name] === value ? "" : value;
      mark();
      made.dispatchEvent(new Event("input", { bubbles: true }));
    });
    made.dataset.value = value;
    return made;
  });
  const mark = () => {
    for (const each of buttons) {
      const on = each.dataset.value === values[field.name];
      each.classList.toggle("main", on);
      each.setAttribute("aria-pressed", on);
    }
  };
  mark();
  const box = element("div", { className: "choices" }, ...buttons);
  const set = element("fieldset", {}, element("legend", { textContent: field.label }), box);
  if (field.free) {
    const input = element("input", { ariaLabel: field.label + " (other)" });
    input.addEventListener("input", () => {
      values[field.name] = input.value.trim();
      mark();
    });
    set.append(input);
  }
  set.follow = (row) => {
    if (!field.follows || byHand) return;
    values[field.name] = field.follows(row);
    mark();
  };
  return set;
}

function pad(field, values) {
  const shown = element("output", { className: "level", ariaLabel: field.label, tabIndex: 0 });
  const put = (text) => {
    values[field.name] = text;
    shown.textContent = text || " ";
    shown.dispatchEvent(new Event("input", { bubbles: true }));
  };
  const typed = () => (values[field.name] === NOTHING ? "" : values[field.name]);
  const type = (sign) => () => put((typed() + sign).replace(/\s+/g, " ").trimStart());
  const keys = element("div", { className: "keys" });
  for (const sign of "789456123.0") keys.append(button(sign, type(sign)));
  const back = button("⌫", () => put(typed().slice(0, -1).trimEnd()));
  back.setAttribute("aria-label", "Undo the last sign");
  keys.append(back);
  const pair = element("div", { className: "pair" }, button("And again", type(" ")), button("Heard nothing", () => put(NOTHING)));
  const box = element("div", {}, element("p", { textContent: field.label }), shown, keys, pair);
  // A keyboard types the same.
  box.addEventListener("keydown", (event) => {
    if (/^[0-9.]$/.test(event.key)) type(event.key)();
    else if (event.key === " " && event.target === shown) type(" ")();
    else if (event.key === "Backspace") back.click();
    else return;
    event.preventDefault();
  });
  put("");
  return box;
}
