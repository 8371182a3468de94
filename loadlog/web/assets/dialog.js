// Dialogs with a form. The browser's own modal dialog keeps the focus inside, closes on Escape and gives the focus back.

import { el, setText } from "./dom.js";

let number = 0;

// title, action (text of the button), parts (nodes above the buttons), submit (async; a refusal is shown and, where it names a field, marks
// the input of that name), danger.
export function openDialog({ title, action, parts, submit, danger = false }) {
  const id = `dialog-${(number += 1)}`;
  const fault = el("p", { class: "fault", role: "alert" });
  const cancel = el("button", { type: "button" }, "Cancel");
  const button = el("button", { type: "submit", class: danger ? "main danger" : "main" }, action);
  const form = el("form", { method: "dialog" }, el("h2", { id }, title), ...parts, fault, el("div", { class: "buttons" }, cancel, button));
  const dialog = el("dialog", { "aria-labelledby": id }, form);
  cancel.onclick = () => dialog.close();
  dialog.onclose = () => dialog.remove();
  form.onsubmit = async (event) => {
    event.preventDefault();
    setText(fault, "");
    for (const input of form.elements) input.removeAttribute("aria-invalid");
    button.disabled = true;
    try {
      await submit(form);
      dialog.close();
    } catch (error) {
      setText(fault, error.message);
      const input = error.field ? form.elements[error.field] : null;
      if (input instanceof HTMLElement) {
        input.setAttribute("aria-invalid", "true");
        input.focus();
      }
    } finally {
      button.disabled = false;
    }
  };
  document.body.append(dialog);
  dialog.showModal();
  return dialog;
}

export const field = (text, input, hint) => el("label", {}, text, " ", input, hint ? el("span", { class: "quiet" }, hint) : null);
