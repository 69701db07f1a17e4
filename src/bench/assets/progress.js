// @ts-check
// Shows how far a measurement is, and the result when it is there.

/** Pause between two questions, ms. */
const PAUSE = 500;

const watched = document.querySelector("[data-watch]");
const words = document.querySelector("[data-words]"), work = document.querySelector("[data-work]");
const bar = document.querySelector("progress");

/** @param {number} seconds */
const left = (seconds) => seconds < 60 ? `about ${Math.ceil(seconds)} s left` : `about ${Math.ceil(seconds / 60)} min left`;

const ask = async () => {
  if (!(watched instanceof HTMLElement) || !words || !work || !bar) return;
  try {
    const answer = await fetch(watched.dataset.watch ?? "");
    const state = await answer.json();
    if (!["waiting", "running"].includes(state.state)) {
      if (watched.dataset.calibration === "true") location.assign("/camera"); else location.reload();
      return;
    }
    const part = Math.floor(100 * state.progress);
    if (state.state === "waiting") words.textContent = state.before ? `Waiting: ${state.before} before this one` : "Waiting";
    else words.textContent = `${part} %` + (state.left_s == null ? "" : `, ${left(state.left_s)}`);
    work.textContent = state.work;
    bar.value = part;
  } catch {
    words.textContent = "The bench does not answer. Is it still running on the computer?";
  }
  setTimeout(ask, PAUSE);
};
ask();
