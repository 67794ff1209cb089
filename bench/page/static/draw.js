// SVG elements and text. User-typed text only ever becomes text nodes.
const SVG = "http://www.w3.org/2000/svg";

export function svg(name, attributes = {}, ...children) {
  const made = document.createElementNS(SVG, name);
  for (const [key, value] of Object.entries(attributes)) made.setAttribute(key, value);
  made.append(...children);
  return made;
}

export function element(name, attributes = {}, ...children) {
  const made = document.createElement(name);
  for (const [key, value] of Object.entries(attributes)) made.setAttribute(key, value);
  made.append(...children);
  return made;
}

export function setText(node, text) {
  if (node.textContent !== text) node.textContent = text;
}
