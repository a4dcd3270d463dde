// What is asked before an order goes out: large keys, one thing at a time.
import { t } from "./texts.js";

const dialog = () => document.getElementById("dialog");

function button(words, kind, press) {
  const element = document.createElement("button");
  element.type = "button";
  element.className = kind;
  element.textContent = words;
  element.addEventListener("click", press);
  return element;
}

// Opens with these parts; the promise ends with what `done` is called with, or null when it was left.
function ask(title, build) {
  const box = dialog();
  return new Promise((resolve) => {
    const done = (value) => {
      box.close();
      box.replaceChildren();
      resolve(value);
    };
    const head = document.createElement("h2");
    head.id = "dialog-title";
    head.textContent = title;
    box.replaceChildren(head, ...build(done));
    box.oncancel = () => resolve(null); // the Escape key, or a tablet's way back
    box.showModal();
  });
}

function paragraph(text, kind = "") {
  const element = document.createElement("p");
  element.textContent = text;
  element.className = kind;
  return element;
}

function row(...children) {
  const element = document.createElement("div");
  element.className = "row";
  element.append(...children);
  return element;
}

export function choose(title, choices) {
  return ask(title, (done) => {
    const list = document.createElement("div");
    list.className = "choices";
    for (const [value, words, off] of choices) {
      const key = button(words, "", () => done(value));
      key.disabled = Boolean(off);
      key.dataset.choice = value;
      list.append(key);
    }
    return [list, row(button(t("close"), "quiet", () => done(null)))];
  });
}

export function confirm(title, why, yes) {
  return ask(title, (done) => [
    ...(why ? [paragraph(why)] : []),
    row(button(t("cancel"), "quiet", () => done(null)), Object.assign(button(yes, "strong", () => done(true)), { id: "yes" })),
  ]);
}

// A number pad: the digits as they are typed, since the last one shows how well it was read.
export function pad(title, detail) {
  return ask(title, (done) => {
    const shown = document.createElement("output");
    shown.className = "typed";
    shown.setAttribute("aria-live", "polite");
    let typed = "";
    const show = () => (shown.textContent = typed || " ");
    const press = (key) => {
      if (key === "." && typed.includes(".")) return;
      if (typed.length < 8) typed += key;
      show();
    };
    const keys = document.createElement("div");
    keys.className = "pad";
    for (const key of ["7", "8", "9", "4", "5", "6", "1", "2", "3", ".", "0"])
      keys.append(button(key, "key", () => press(key)));
    const erase = button("⌫", "key", () => {
      typed = typed.slice(0, -1);
      show();
    });
    erase.setAttribute("aria-label", t("erase"));
    keys.append(erase);
    const enter = () => typed && done(typed);
    show();
    dialog().onkeydown = (event) => {
      if (/^[0-9.]$/.test(event.key)) press(event.key);
      else if (event.key === ",") press(".");
      else if (event.key === "Backspace") erase.click();
      else if (event.key === "Enter") {
        event.preventDefault();
        enter();
      } else return;
    };
    return [...(detail ? [paragraph(detail)] : []), shown, keys,
            row(button(t("cancel"), "quiet", () => done(null)), Object.assign(button(t("enter"), "strong", enter), { id: "yes" }))];
  }).finally(() => (dialog().onkeydown = null));
}

export function write(title, label, most, withFile = false) {
  return ask(title, (done) => {
    const area = document.createElement("textarea");
    area.maxLength = most;
    area.rows = withFile ? 8 : 3;
    area.setAttribute("aria-label", label);
    const parts = [];
    if (withFile) {
      const file = document.createElement("input");
      file.type = "file";
      file.id = "file";
      file.className = "hidden-file";
      file.addEventListener("change", async () => {
        if (file.files[0]) area.value = (await file.files[0].text()).slice(0, most);
      });
      const pick = document.createElement("label");
      pick.className = "button";
      pick.htmlFor = "file";
      pick.textContent = t("choose_file");
      parts.push(file, pick);
    }
    parts.push(paragraph(label), area);
    return [...parts, row(button(t("cancel"), "quiet", () => done(null)),
                          Object.assign(button(t("save"), "strong", () => area.value.trim() && done(area.value)), { id: "yes" }))];
  });
}

// Several lines to write; null: left.
export function form(title, why, fields, yes) {
  return ask(title, (done) => {
    const inputs = fields.map(([name, words, type]) => {
      const label = document.createElement("label"), input = document.createElement("input");
      label.textContent = words;
      label.htmlFor = input.id = `field-${name}`;
      Object.assign(input, { type: type ?? "text", name, maxLength: 100, autocomplete: "off" });
      return [label, input];
    });
    const take = () => done(Object.fromEntries(inputs.map(([, input]) => [input.name, input.value])));
    return [paragraph(why), ...inputs.flat(),
            row(button(t("cancel"), "quiet", () => done(null)), Object.assign(button(yes, "strong", take), { id: "yes" }))];
  });
}

export function show(title, ...parts) {
  return ask(title, (done) => [...parts, row(button(t("close"), "quiet", () => done(null)))]);
}
