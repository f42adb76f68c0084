// A document with nothing but what the drawings use, so that Node can look at them without a browser.

class Node {
  constructor(name) {
    Object.assign(this, { name, attributes: {}, children: [], dataset: {} });
  }
  setAttribute(name, value) {
    this.attributes[name] = String(value);
  }
  append(...children) {
    this.children.push(...children);
  }
  get textContent() {
    return this.children.map((child) => (child instanceof Node ? child.textContent : String(child))).join("");
  }
}
globalThis.document = {
  createElement: (name) => new Node(name),
  createElementNS: (_, name) => new Node(name),
};

/** Every element under `node` (itself too) that carries the class. */
export function marked(node, name) {
  const own = (node.attributes?.class ?? "").split(" ").includes(name) ? [node] : [];
  return [...own, ...(node.children ?? []).flatMap((child) => (child instanceof Node ? marked(child, name) : []))];
}
