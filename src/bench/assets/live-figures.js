// @ts-check
// Figures for the eye: smoothed, with as many digits as their ± allows, and with words.

/** @typedef {{value: number, u: number}} Measured */

/** Cut-off at rest, Hz, its growth with the rate, s/°·Hz, and the cut-off of the rate, Hz. */
const [REST_HZ, GROWTH, RATE_HZ] = [1.2, 0.3, 1];

/** Smooths one figure for the eye only: the one-euro filter (Casiez, Roussel, Vogel, CHI 2012). */
export class Smooth {
  /** @type {number | null} */ #last = null;
  #value = 0; #rate = 0;
  /** @param {number} value @param {number} time_s */
  next(value, time_s) {
    const step_s = this.#last === null ? 0 : time_s - this.#last;
    // After a gap there is nothing to smooth with.
    if (this.#last === null || step_s > 0.5 || step_s < 0) { this.#value = value; this.#rate = 0; }
    else if (step_s > 0) {
      const share = (/** @type {number} */ hz) => 1 / (1 + 1 / (2 * Math.PI * hz * step_s));
      this.#rate += share(RATE_HZ) * ((value - this.#value) / step_s - this.#rate);
      this.#value += share(REST_HZ + GROWTH * Math.abs(this.#rate)) * (value - this.#value);
    }
    this.#last = time_s;
    return this.#value;
  }
}

/** Decimals that a ± leaves meaning to. @param {number} u */
export const digits = (u) => u >= 2 ? 0 : u >= 0.2 ? 1 : 2;

/** @param {number} value @param {number} decimals */
export const signed = (value, decimals) => {
  const text = Math.abs(value).toFixed(decimals);
  return Number(text) === 0 ? text : (value < 0 ? "−" : "+") + text;
};

/** @param {number} u */
export const plusMinus = (u) => `±${u.toFixed(Math.max(1, digits(u)))}°`;

/** The way of the trailing edge. @param {number} value @param {number} decimals @param {boolean} upright */
export const way = (value, decimals, upright) =>
  Number(value.toFixed(decimals)) === 0 ? "" : upright ? (value > 0 ? "left" : "right") : (value > 0 ? "up" : "down");

/** A stick position with its sign. @param {number} pct */
export const stick = (pct) => pct === 0 ? "0" : (pct < 0 ? "−" : "+") + Math.abs(pct);

/** @param {number} pct */
export const spokenStick = (pct) => pct === 0 ? "zero" : `${pct < 0 ? "minus" : "plus"} ${Math.abs(pct)}`;
