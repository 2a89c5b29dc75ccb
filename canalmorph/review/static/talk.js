// What is asked of the server and said to it; every answer is JSON, errors are sentences.

export class Refused extends Error {
  constructor(status, sentence) {
    super(sentence);
    this.status = status;
  }
}

export async function ask(path) {
  return readAnswer(await fetch(path, { credentials: "same-origin" }));
}

export async function say(path, content) {
  return readAnswer(await fetch(path, {
    method: "POST",
    credentials: "same-origin",
    headers: { "content-type": "application/json" },
    body: JSON.stringify(content)
  }));
}

async function readAnswer(answer) {
  let told = {};
  try {
    told = await answer.json();
  } catch (error) {
    told = { error: "The page lost its server: start the command again." };
  }
  if (!answer.ok) {
    throw new Refused(answer.status, told.error || "The server refused.");
  }
  return told;
}

// An element with text and attributes; text is never read as markup.
export function make(name, attributes = {}, ...children) {
  const svg = ["svg", "g", "path", "circle", "line", "image", "text", "title"].includes(name);
  const made = svg
    ? document.createElementNS("http://www.w3.org/2000/svg", name)
    : document.createElement(name);
  for (const [key, value] of Object.entries(attributes)) {
    if (value !== undefined && value !== null && value !== false) {
      made.setAttribute(key, value === true ? "" : String(value));
    }
  }
  made.append(...children);
  return made;
}

export const STATE_WORDS = {
  to_see: "to see", corrected: "corrected", signed: "signed", rejected: "rejected"
};
export const ACTION_WORDS = {
  correct: "set", withdraw: "withdrew", undo: "undid", comment: "commented", sign: "signed",
  reject: "rejected", reopen: "reopened"
};
export const words = (code) =>
  String(code || "").replace(/[_-]/g, " ").replace(/\blt20\b/, "LT+20").replace(/\blt\b/, "LT");
