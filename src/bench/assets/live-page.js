// @ts-check
// What pages with a running camera share: elements, answers of the bench, and messages.

/** Shortest pause between two messages to a screen reader, ms. */
const QUIET = 2000;

/** @param {Element} element @param {string} words */
export const write = (element, words) => { if (element.textContent !== words) element.textContent = words; };

/** @param {string} kind @param {string} [words] */
export const make = (kind, words = "") => Object.assign(document.createElement(kind), { textContent: words });

/** @param {string} text */
const sentence = (text) => text.charAt(0).toUpperCase() + text.slice(1) + (/[.?!]$/.test(text) ? "" : ".");

/** Reads an answer of the bench, or throws its words. @param {Response} answer */
export const read = async (answer) => {
  const body = answer.status === 204 ? {} : await answer.json();
  if (!answer.ok) throw Object.assign(new Error(`${sentence(body.error)} ${sentence(body.help)}`), { status: answer.status });
  return body;
};

/** @param {unknown} error */
export const words = (error) => {
  if (error instanceof TypeError) return "The bench does not answer. Check that it is still running on the computer.";
  return sentence(error instanceof Error ? error.message : String(error));
};

/**
 * Messages in the box for faults, and for a screen reader, seldom enough to be read out: news first, then
 * what to do next. Neither takes the place of the other.
 * @param {Element} page
 */
export const messages = (page) => {
  const box = /** @type {HTMLElement} */ (page.querySelector("[data-fault]"));
  const status = /** @type {Element} */ (page.querySelector("[data-status]"));
  let told = 0, news = "", next = "", asked = "";
  setInterval(() => {
    const text = news || (next === asked ? "" : next);
    if (!text || Date.now() - told < QUIET) return;
    told = Date.now();
    if (news) news = ""; else asked = next;
    write(status, text);
  }, 250);
  /** @param {string} text */
  const tell = (text) => { news = text; };
  /** @param {string} text */
  const ask = (text) => { next = text; };
  /** @param {string} text */
  const complain = (text) => {
    if (text && box.textContent !== text) tell(text);
    write(box, text);
    box.hidden = !text;
  };
  return { tell, ask, complain };
};
