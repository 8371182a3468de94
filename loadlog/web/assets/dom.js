// Building elements. Text goes in as text only: nothing from instruments, notes or configuration is ever parsed as markup.

export function el(tag, attributes = {}, ...children) {
  const node = document.createElement(tag);
  for (const [name, value] of Object.entries(attributes)) {
    if (value === undefined || value === null || value === false) continue;
    if (name.startsWith("on")) node.addEventListener(name.slice(2), value);
    else node.setAttribute(name, value === true ? "" : String(value));
  }
  node.append(
    ...children
      .filter((child) => child !== null && child !== undefined && child !== false)
      .map((child) => (child instanceof Node ? child : String(child))),
  );
  return node;
}

// Sets text only when it changed: no needless layout, and screen readers are left in peace.
export function setText(node, text) {
  if (node.textContent !== text) node.textContent = text;
}

export const byId = (id) => document.getElementById(id);

// Settings of this browser; a browser that keeps none still works.
export const settings = {
  get(key, otherwise) {
    try {
      return localStorage.getItem(`loadlog.${key}`) ?? otherwise;
    } catch {
      return otherwise;
    }
  },
  set(key, value) {
    try {
      localStorage.setItem(`loadlog.${key}`, value);
    } catch {
      // private window: the choice lasts as long as the page
    }
  },
};
