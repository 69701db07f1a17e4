// @ts-check
// The live page: frames to the bench, figures back, orders of the person.

import { Camera, listDevices, refusalWords } from "/live-camera.js";
import { draw } from "/live-draw.js";
import { Smooth, digits, plusMinus, signed, spokenStick, stick, way } from "/live-figures.js";
import { make, messages, read, words, write } from "/live-page.js";
import { Sound, switchBy } from "/live-sound.js";

/** @typedef {import("/live-figures.js").Measured} Measured */
/** @typedef {{tag: number, seen: boolean, why: string | null, help: string | null, corners_px: [number, number][] | null}} Tag */
/** @typedef {Tag & {name: string, upright: boolean, deflection_deg: Measured | null, moving: boolean, hinge_px: [number, number][] | null, peak_deg: [Measured, Measured] | null}} Surface */
/** @typedef {{reference: string, follower: string, difference_deg: Measured, tolerance_deg: number, within: boolean}} Pair */
/** @typedef {{stick_pct: number, time_s: [number, number], surfaces: {name: string, deflection_deg: Measured}[]}} Hold */
/** @typedef {{state: string, next: string, missing: string[], surfaces: Surface[], airframe_tags: Tag[], pairs: Pair[], holds: number | Hold[], station_pct: number | null, stations_left: number, zero: string, automatic: boolean, warnings: string[], time_s: number | null, age_s: number | null, filmed: boolean}} State */

/** Older figures are dimmed, ms; a page that only watches asks so often, ms. */
const [STALE, WATCH] = [500, 200];
/** The bench takes a page for one that films for so long after its last frame, and a little longer, ms. */
const OVER = 3000;
/** Tolerances to either side that the bar shows. */
const BAR = 3;

const page = /** @type {HTMLElement} */ (document.querySelector("[data-live]"));
const address = `/api/live/${page.dataset.live}`;
/** @param {string} css @param {ParentNode} [within] */
const find = (css, within = page) => /** @type {HTMLElement} */ (within.querySelector(css));
const { tell, ask, complain } = messages(page);

/** What deflections count from. @type {Record<string, string>} */
const ZEROS = { start: "Deflections count from where the surfaces were at the beginning.", set: "Deflections count from the neutral that you set.", holds: "Deflections count from the holds at 0 %." };
const automatic = /** @type {HTMLInputElement} */ (find("[data-automatic]"));
const video = /** @type {HTMLVideoElement} */ (find("video"));
const canvas = /** @type {HTMLCanvasElement} */ (find("canvas"));
const [camera, sound] = [new Camera(video), new Sound()];
/** A name for each start of the camera, so that only one page films for a session, by one clock. */
const name = () => Array.from(crypto.getRandomValues(new Uint8Array(8)), (byte) => byte.toString(16)).join("");
let source = "";
/** Whether this page filmed last, and when it stopped: it goes on without asking. */
let isLast = false, stopped = 0;

/** @type {State | null} */ let shown = null;
/** @type {Hold[] | null} */ let holds = null;
/** Time at which the newest figures were true, by the clock of this page. */
let fresh = 0;
let isFilming = false, isAnswering = true;
/** @type {string} */ let waiting = "";
/** @type {Map<string, Smooth>} */ const smooths = new Map();

// ---- figures

/** @param {string} key @param {Measured} deflection @param {number} time_s */
const eased = (key, deflection, time_s) => {
  const smooth = smooths.get(key) ?? new Smooth();
  smooths.set(key, smooth);
  return smooth.next(deflection.value, time_s);
};

/** @param {Surface} surface @param {number} time_s */
const showSurface = (surface, time_s) => {
  const box = page.querySelector(`[data-surface="${CSS.escape(surface.name)}"]`);
  if (!(box instanceof HTMLElement)) return;
  const deflection = surface.deflection_deg;
  box.classList.toggle("none", !deflection);
  if (deflection) {
    const value = eased(surface.name, deflection, time_s), decimals = digits(deflection.u);
    write(find("[data-value]", box), `${signed(value, decimals)}°`);
    write(find("[data-way]", box), `${way(value, decimals, surface.upright)} ${plusMinus(deflection.u)}`);
  } else {
    write(find("[data-value]", box), "–");
    write(find("[data-way]", box), surface.seen ? "no figure yet" : `tag ${surface.why ?? "not seen"}`);
  }
  const peak = surface.peak_deg;
  write(find("[data-peak]", box), peak ? [peak[1], peak[0]].map((end) => `${signed(end.value, digits(end.u))}° ${way(end.value, digits(end.u), surface.upright)}`.trim()).join(", ") : "none yet");
};

/** @param {Pair | undefined} pair @param {HTMLElement} box @param {number} time_s */
const showPair = (pair, box, time_s) => {
  box.classList.toggle("none", !pair);
  box.classList.toggle("outside", !!pair && !pair.within);
  if (!pair) return write(find("[data-difference]", box), "–");
  const { u } = pair.difference_deg, value = eased(`=${pair.follower}`, pair.difference_deg, time_s);
  const place = (/** @type {number} */ deg) => `${50 + 50 * Math.max(-1, Math.min(1, deg / (BAR * pair.tolerance_deg)))}%`;
  const mark = find("[data-mark]", box), doubt = find("[data-doubt]", box);
  mark.style.left = place(value);
  doubt.style.left = place(value - u);
  doubt.style.right = `calc(100% - ${place(value + u)})`;
  write(find("[data-difference]", box), `${signed(value, digits(u))}° ${plusMinus(u)}`);
  write(find("[data-judged]", box), pair.within ? "Within the tolerance." : "Outside the tolerance.");
};

/** @param {State} state */
const show = (state) => {
  shown = state;
  if (state.age_s !== null) fresh = performance.now() - 1000 * state.age_s;
  const time_s = state.time_s ?? 0;
  page.dataset.state = state.state;
  const isByHand = page.classList.contains("by-hand"), next = isByHand && !state.missing.length ? "Adjust until the difference is within the tolerance." : state.next;
  write(find("[data-next]"), next);
  ask(next);
  const list = find("[data-missing]"), said = [...state.missing, ...state.warnings];
  if (list.dataset.said !== said.join("\n")) {
    list.dataset.said = said.join("\n");
    list.replaceChildren(...said.map((one, place) => Object.assign(make("li", one), { className: place < state.missing.length ? "" : "doubt" })));
  }
  write(find("[data-zero]"), ZEROS[state.zero]);
  find("[data-order=clear-neutral]").hidden = state.zero !== "set";
  automatic.checked = state.automatic;
  for (const surface of state.surfaces) showSurface(surface, time_s);
  for (const box of page.querySelectorAll("[data-pair]"))
    if (box instanceof HTMLElement) showPair(state.pairs.find((pair) => pair.follower === box.dataset.pair), box, time_s);
  for (const button of page.querySelectorAll("[data-station]"))
    button.setAttribute("aria-pressed", String(Number(/** @type {HTMLElement} */ (button).dataset.station) === state.station_pct));
  if (Array.isArray(state.holds)) showHolds(state.holds);
  else if (state.holds !== holds?.length) look();
  hear(state);
  if (isFilming) draw(canvas, video, [...state.airframe_tags, ...state.surfaces], isStale());
};

const isStale = () => performance.now() - fresh > STALE;

setInterval(() => {
  const stale = !shown || isStale(), age = (performance.now() - fresh) / 1000;
  page.classList.toggle("stale", stale && shown?.time_s != null);
  let text = "";
  if (!isAnswering) text = "The bench does not answer. ";
  if (shown?.time_s != null && stale) text += `These figures are ${age < 10 ? age.toFixed(1) : Math.round(age)} s old.`;
  else if (shown && !isFilming && shown.filmed) text += "Another page or a phone is filming.";
  write(find("[data-age]"), text);
  if (stale) sound.mismatch(null, 1);
}, 100);

// ---- holds

/** @param {Hold[]} list */
const showHolds = (list) => {
  const last = list.at(-1), known = holds;
  const isNew = known && list.length > known.length && last;
  if (JSON.stringify(known) === JSON.stringify(list)) return;
  holds = list;
  const names = shown?.surfaces.map((surface) => surface.name) ?? [];
  const rows = [...list].reverse().map((hold) => {
    const row = make("tr"), first = make("th", `${stick(hold.stick_pct)} %`);
    first.setAttribute("scope", "row");
    row.append(first, ...names.flatMap((name) => {
      const held = hold.surfaces.find((one) => one.name === name)?.deflection_deg;
      const cell = make("td", held ? `${signed(held.value, 2)}° ${plusMinus(held.u)}` : "–");
      return page.dataset.before ? [make("td", earlier(name, hold.stick_pct)), cell] : [cell];
    }));
    return row;
  });
  find("[data-holds]").replaceChildren(...rows);
  find("[data-held]").hidden = !list.length;
  for (const button of page.querySelectorAll("[data-station]")) {
    const count = list.filter((hold) => hold.stick_pct === Number(/** @type {HTMLElement} */ (button).dataset.station)).length;
    write(find("[data-count]", button), count ? (count > 1 ? ` ✓${count}` : " ✓") : "");
  }
  if (!isNew) return;
  sound.tones([660, 990]);
  page.classList.add("flash");
  setTimeout(() => page.classList.remove("flash"), 400);
  const figures = last.surfaces.map((one) => signed(one.deflection_deg.value, 1).replace("−", "minus ").replace("+", "plus ")).join(", ");
  waiting = `Held at ${spokenStick(last.stick_pct)}. ${figures}.`;
  announce(shown?.station_pct ?? null);
  tell(`Held at ${stick(last.stick_pct)} %.`);
};

/** Figures of the measurement before, by surface and stick position. @type {Map<string, number[]>} */
const earlierFigures = new Map();
/** @param {string} name @param {number} pct */
const earlier = (name, pct) => {
  const all = earlierFigures.get(`${name} ${pct}`);
  return all ? `${signed(all.reduce((sum, one) => sum + one, 0) / all.length, 2)}°` : "–";
};
const readBefore = async () => {
  const before = await read(await fetch(`/api/measurements/${page.dataset.before}/measurement.json`));
  for (const surface of before.surfaces) for (const station of surface.stations) {
    const key = `${surface.name} ${station.stick_pct}`;
    earlierFigures.set(key, [...(earlierFigures.get(key) ?? []), station.deflection_deg.value]);
  }
};

// ---- sound

/** The station that was asked for in words. @type {number | null} */ let announced = null;
/** @param {number | null} asked */
const announce = (asked) => {
  announced = asked;
  if (asked !== null) waiting += ` Now ${spokenStick(asked)}.`;
};

/** @param {State} state */
const hear = (state) => {
  const isMoving = state.surfaces.some((surface) => surface.moving);
  const asked = state.state === "measuring" ? state.station_pct : null;
  // A hold whose figures are still on their way is spoken first.
  if (asked !== announced && (Array.isArray(state.holds) || state.holds === holds?.length)) announce(asked);
  // Nobody listens while a surface moves.
  if (waiting && !isMoving) { sound.say(waiting.trim()); waiting = ""; }
  const tone = /** @type {HTMLInputElement | null} */ (page.querySelector("[name=tone]:checked"))?.value ?? state.pairs[0]?.follower;
  const pair = page.classList.contains("by-hand") ? state.pairs.find((one) => one.follower === tone) : undefined;
  sound.mismatch(pair && !isStale() ? pair.difference_deg.value : null, pair?.tolerance_deg ?? 1);
};

const soundBox = /** @type {HTMLInputElement} */ (find("[data-sound]"));
switchBy(soundBox, sound);

// ---- the camera

const devices = /** @type {HTMLSelectElement} */ (find("[data-devices]"));
const offerDevices = () => listDevices(camera, devices, find("[data-choose]"));

/** Says so where the profile was used with another camera before. */
const compareDevice = () => {
  const label = camera.track()?.label ?? "", key = `camera-of-${page.dataset.camera}`, made = page.dataset.madeWith;
  if (made !== undefined && made !== label) return write(find("[data-device]"), `This profile was made with the camera “${made}”. A profile belongs to one device; calibrate “${label}” if it is another one.`);
  const last = localStorage.getItem(key);
  const isOther = last !== null && last !== label;
  write(find("[data-device]"), isOther ? `On this computer this profile was last used with the camera “${last}”. A profile belongs to one device; calibrate “${label}” if it is another one.` : "");
  if (!isOther) localStorage.setItem(key, label);
};

const start = async (takes = false) => {
  complain("");
  if (soundBox.checked && !sound.isOn) sound.begin();
  try {
    await camera.start(devices.value, Number(page.dataset.width), Number(page.dataset.height));
    await offerDevices();
    compareDevice();
    camera.track()?.addEventListener("ended", () => { stop(); complain("The camera was disconnected. Connect it, then start again."); });
  } catch (error) { return complain(refusalWords(error)); }
  page.classList.add("filming");
  find("[data-next]").scrollIntoView();
  find("[data-start]").hidden = true;
  find("[data-stop]").hidden = false;
  find("[data-take]").hidden = true;
  setTimeout(() => camera.holdFocus(), 3000);
  /** @type {any} */ (navigator).wakeLock?.request("screen").catch(() => {});
  source = name();
  film(source, takes || isLast);
  isFilming = true;
};

const stop = () => {
  isFilming = false;
  stopped = performance.now();
  source = "";
  camera.stop();
  page.classList.remove("filming");
  find("[data-start]").hidden = false;
  find("[data-stop]").hidden = true;
};

/** One frame in flight, then the newest. @param {string} run @param {boolean} takes */
const film = async (run, takes) => {
  let begun = -1;
  for (;;) {
    const time_ms = await camera.next();
    if (source !== run) return;
    if (begun < 0) begun = time_ms;
    try {
      const shot = await camera.shot(time_ms);
      const query = `time_s=${((time_ms - begun) / 1000).toFixed(6)}&source=${run}${takes ? "&take=true" : ""}`;
      const answer = await fetch(`${address}/frames?${query}`, { method: "POST", headers: shot.headers, body: shot.body });
      isAnswering = true;
      takes = false;
      const state = await read(answer);
      isLast = true;
      complain("");
      show(state);
    } catch (error) {
      const status = /** @type {any} */ (error).status;
      isAnswering = status !== undefined;
      // A single frame may be late or broken; these do not pass with the next one.
      if (status === 404 || status === 422 || status === 401) { stop(); complain(words(error)); }
      else if (status === 409 && /another page/.test(words(error).toLowerCase())) {
        stop();
        isLast = false;
        find("[data-take]").hidden = false;
        complain(words(error));
      } else if (status === undefined) { complain(words(error)); await new Promise((done) => setTimeout(done, 500)); }
    }
  }
};

/** Asks for the state with all holds. */
const look = async () => {
  try {
    const state = await read(await fetch(address));
    isAnswering = true;
    if (state.filmed && !isFilming && performance.now() - stopped > OVER) isLast = false;
    if (isFilming) showHolds(state.holds); else { show(state); if (find("[data-fault]").textContent?.startsWith("The bench does not")) complain(""); }
  } catch (error) {
    isAnswering = /** @type {any} */ (error).status !== undefined;
    if (!isFilming) complain(words(error));
  }
};
const watch = async () => {
  await look();
  setTimeout(watch, isFilming ? 2000 : WATCH);
};

// ---- orders

/** @param {string} name @param {unknown} [body] */
const order = async (name, body) => {
  try {
    const answer = await fetch(`${address}/${name}`, { method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify(body ?? {}) });
    show(await read(answer));
    complain("");
    if (name === "undo") sound.tones([440]);
    if (name === "neutral") sound.tones([880]);
  } catch (error) { complain(words(error)); sound.tones([220]); }
};

const finish = async () => {
  const button = /** @type {HTMLButtonElement} */ (find("[data-finish]"));
  button.disabled = true;
  write(find("[data-finishing]"), "Computing the numbers from all frames. This takes some seconds.");
  try {
    const { measurement } = await read(await fetch(`${address}/finish`, { method: "POST" }));
    stop();
    location.assign(page.dataset.before ? `/compare/${page.dataset.before}/${measurement}` : `/measurements/${measurement}/numbers`);
  } catch (error) {
    write(find("[data-finishing]"), "");
    complain(words(error));
    button.disabled = false;
  }
};

const byHand = () => {
  const isByHand = page.classList.toggle("by-hand");
  const button = find("[data-by-hand]");
  button.setAttribute("aria-pressed", String(isByHand));
  if (!isByHand) sound.mismatch(null, 1);
  // What rests while one works on it is no station.
  order(isByHand ? "by-hand" : "by-itself");
};

page.addEventListener("click", (event) => {
  const button = event.target instanceof Element ? event.target.closest("button") : null;
  if (!button) return;
  const { order: name, station } = button.dataset;
  if (name) order(name);
  else if (station !== undefined) order("stations", { stick_pct: Number(station) });
  else if (button.matches("[data-start]")) start();
  else if (button.matches("[data-take]")) start(true);
  else if (button.matches("[data-stop]")) stop();
  else if (button.matches("[data-finish]")) finish();
  else if (button.matches("[data-by-hand]")) byHand();
});

/** @type {Record<string, () => void>} */
const KEYS = { " ": () => order("hold"), u: () => order("undo"), s: () => order("skip"), n: () => order("neutral"), p: () => order("peaks"), b: byHand };
addEventListener("keydown", (event) => {
  const act = KEYS[event.key.toLowerCase()], on = event.target instanceof Element ? event.target : null;
  const isOurs = /** @type {HTMLInputElement} */ (find("[data-keys]")).checked;
  if (!act || !isOurs || event.repeat || event.ctrlKey || event.altKey || event.metaKey) return;
  if (on?.closest("input, select, textarea, summary, a") || (event.key === " " && on?.closest("button"))) return;
  event.preventDefault();
  act();
});

devices.addEventListener("change", () => { if (isFilming) start(); });
automatic.addEventListener("change", () => order(automatic.checked ? "by-itself" : "by-hand"));

// ---- begin

if (page.dataset.before) await readBefore().catch(() => {});
if (isSecureContext && navigator.mediaDevices) {
  find("[data-controls]").hidden = false;
  if (await camera.devices().catch(() => [])) offerDevices();
  navigator.mediaDevices.addEventListener?.("devicechange", offerDevices);
} else find("[data-insecure]").hidden = false;
watch();
