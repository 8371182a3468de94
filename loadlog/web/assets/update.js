// Bringing a list up to date in place: what did not change stays the same node, so that focus, selection and scrolling survive.

// The children of parent become like nodes. Children with data-key are known again by it, others by their place. Focus on
// something that is gone goes on within the same keyed child.
export function update(parent, nodes) {
  const focused = parent.contains(document.activeElement) ? document.activeElement : null;
  const around = focused?.closest("[data-key]");
  renew(parent, nodes);
  if (focused && !focused.isConnected && around?.isConnected) around.querySelector("button, a[href]")?.focus({ preventScroll: true });
}

function renew(parent, nodes) {
  const keyed = new Map([...parent.children].filter((child) => child.dataset?.key).map((child) => [child.dataset.key, child]));
  nodes.forEach((node, i) => {
    const present = parent.childNodes[i] ?? null;
    const old = node.dataset?.key ? keyed.get(node.dataset.key) : present?.dataset?.key ? null : present;
    const next = old ? alike(old, node) : node;
    if (next !== parent.childNodes[i]) parent.insertBefore(next, parent.childNodes[i] ?? null);
    if (old && next !== old) old.remove();
  });
  while (parent.childNodes.length > nodes.length) parent.lastChild.remove();
}

// old, made like node where that is possible; else node. What is pressed or filled in is replaced whole: what it does went in with it.
function alike(old, node) {
  if (old.isEqualNode(node)) return old;
  if (old.nodeType !== node.nodeType || old.nodeName !== node.nodeName) return node;
  if (old.nodeType === Node.TEXT_NODE) {
    old.data = node.data;
    return old;
  }
  if (["BUTTON", "INPUT", "SELECT", "A"].includes(old.nodeName)) return node;
  for (const { name } of [...old.attributes]) if (!node.hasAttribute(name)) old.removeAttribute(name);
  for (const { name, value } of node.attributes) if (old.getAttribute(name) !== value) old.setAttribute(name, value);
  renew(old, [...node.childNodes]);
  return old;
}
