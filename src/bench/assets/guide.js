// @ts-check
// The page that guides a calibration: pictures to the bench, what to show next back.

import { Camera, listDevices, refusalWords } from "/live-camera.js";
import { cleared, line } from "/live-draw.js";
import { make, messages, read, words, write } from "/live-page.js";
import { Sound, switchBy } from "/live-sound.js";

/** @typedef {[number, number]} Point */
/** @typedef {{phase: "fit" | "check" | "done", board: "seen" | "not-seen" | "kept" | null, words: string, kept: number | null, crossings_px: Point[], u_deg: number | null, aim_deg: number, grade: string | null, fit_views: number, check_views: number, check_views_wanted: number, coverage: {columns: number, rows: number, counts: number[]} | null, missing: string[], ask: {outline_px: Point[], words: string} | null, check: string | null, fitting: boolean, dropped: boolean}} State */

/** The bar begins at this uncertainty, degrees; a cell with so many crossings is full. */
const [BAR_BEGINS, FULL] = [1, 20];
/** How long the page flashes, ms. */
const FLASH = 400;

const page = /** @type {HTMLElement} */ (document.querySelector("[data-guide]"));
const address = `/api/guidance/${page.dataset.guide}`;
/** @param {string} css */
const find = (css) => /** @type {HTMLElement} */ (page.querySelector(css));
const { tell, ask, complain } = messages(page);
const video = /** @type {HTMLVideoElement} */ (find("video"));
const canvas = /** @type {HTMLCanvasElement} */ (find("canvas"));
const devices = /** @type {HTMLSelectElement} */ (find("[data-devices]"));
const [camera, sound] = [new Camera(video), new Sound()];
/** @type {State | null} */ let shown = null;
let run = 0, isFilming = false;

// ---- the state

/** @param {State} state */
const show = (state) => {
  const before = shown;
  shown = state;
  const isDone = state.phase === "done";
  page.classList.toggle("done", isDone);
  write(find("[data-next]"), isDone ? `Done: ${state.grade ?? ""}` : state.ask?.words ?? "Hold the board in a place you have not used yet.");
  if (!state.dropped) write(find("[data-why]"), state.words);
  write(find("[data-value]"), state.u_deg === null ? "no figure yet" : `±${state.u_deg.toFixed(3)}°`);
  write(find("[data-aim]"), `±${state.aim_deg}°`);
  const bar = find("[data-bar]"), range = Math.log(BAR_BEGINS / state.aim_deg);
  const part = state.u_deg === null ? 0 : Math.min(1, Math.max(0.02, Math.log(BAR_BEGINS / state.u_deg) / range));
  find("[data-filled]").style.width = `${100 * part}%`;
  bar.classList.toggle("good", state.u_deg !== null && state.u_deg <= state.aim_deg);
  const views = state.fit_views === 1 ? "1 view is kept" : `${state.fit_views} views are kept`;
  const checks = state.phase === "fit" && !state.check_views ? "" : `, ${state.check_views} of ${state.check_views_wanted} to check the profile`;
  write(find("[data-count]"), `${views}${checks}${state.fitting ? "; computing" : ""}.`);
  const missing = find("[data-missing]");
  if (missing.dataset.words !== state.missing.join("\n")) {
    missing.dataset.words = state.missing.join("\n");
    missing.replaceChildren(...state.missing.map((text) => make("li", text)));
  }
  write(find("[data-check]"), isDone ? state.check ?? "" : "");
  const finish = /** @type {HTMLButtonElement} */ (find("[data-finish]"));
  finish.disabled = state.u_deg === null;
  write(finish, isDone ? "Make the profile" : `Make the profile now${state.grade ? ` (${state.grade})` : ""}`);
  map(state);
  draw(state);
  hear(state, before);
};

/** @param {State} state @param {State | null} before */
const hear = (state, before) => {
  if (state.kept !== null) {
    sound.tones([990]);
    page.classList.add("flash");
    setTimeout(() => page.classList.remove("flash"), FLASH);
    tell(state.words);
  }
  if (state.phase === "done" && before && before.phase !== "done") {
    sound.tones([660, 880, 1320]);
    sound.say("Done.");
    tell("Done.");
  } else if (state.ask && state.ask.words !== before?.ask?.words) {
    sound.say(state.ask.words);
    ask(state.ask.words);
  }
};

/** Draws where crossings were. @param {State} state */
const map = ({ coverage }) => {
  const picture = find("[data-map]");
  if (!coverage || picture.dataset.counts === coverage.counts.join()) return;
  picture.dataset.counts = coverage.counts.join();
  picture.setAttribute("viewBox", `0 0 ${coverage.columns} ${coverage.rows}`);
  picture.replaceChildren(...coverage.counts.map((count, at) => {
    const cell = document.createElementNS("http://www.w3.org/2000/svg", "rect");
    const values = { x: at % coverage.columns, y: Math.floor(at / coverage.columns), width: 1, height: 1, "fill-opacity": Math.min(1, count / FULL) };
    for (const [name, value] of Object.entries(values)) cell.setAttribute(name, String(value));
    return cell;
  }));
};

/** Draws the outline and the crossings over the picture. @param {State} state */
const draw = (state) => {
  const sheet = cleared(canvas, video);
  if (!sheet) return;
  const { context, ratio, scale } = sheet;
  context.fillStyle = state.board === "kept" ? "#7df09a" : "#ffd54a";
  for (const [x, y] of state.crossings_px) context.fillRect(x * scale - 2 * ratio, y * scale - 2 * ratio, 4 * ratio, 4 * ratio);
  if (!state.ask) return;
  const outline = state.ask.outline_px.map(([x, y]) => [x * scale, y * scale]);
  line(context, [...outline, outline[0]], ["#000a", "#fff"], ratio, [16 * ratio, 10 * ratio], [9, 4]);
  // The board's first corner, so that its turn shows.
  context.fillStyle = "#fff";
  context.beginPath();
  context.arc(outline[0][0], outline[0][1], 9 * ratio, 0, 7);
  context.fill();
};

// ---- the camera

const offerDevices = () => listDevices(camera, devices, find("[data-choose]"));

/** Says which device this is, in which mode: a profile belongs to both. */
const noteDevice = () => {
  const track = /** @type {any} */ (camera.track()), settings = track?.getSettings() ?? {};
  const device = { label: track?.label ?? "", width_px: video.videoWidth, height_px: video.videoHeight, frames_per_s: settings.frameRate ?? null, focus: settings.focusMode ?? null };
  return fetch(`${address}/device`, { method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify(device) }).then(read);
};

const start = async () => {
  complain("");
  if (soundBox.checked && !sound.isOn) sound.begin();
  try {
    await camera.start(devices.value, 1920, 1080);
    await offerDevices();
    camera.track()?.addEventListener("ended", () => { stop(); complain("The camera was disconnected. Connect it, then start again."); });
  } catch (error) { return complain(refusalWords(error)); }
  await noteDevice().catch((error) => complain(words(error)));
  page.classList.add("filming");
  find("[data-start]").hidden = true;
  find("[data-stop]").hidden = false;
  setTimeout(() => camera.holdFocus(), 3000);
  /** @type {any} */ (navigator).wakeLock?.request("screen").catch(() => {});
  isFilming = true;
  film(run += 1);
};

const stop = () => {
  isFilming = false;
  run += 1;
  camera.stop();
  page.classList.remove("filming");
  find("[data-start]").hidden = false;
  find("[data-stop]").hidden = true;
};

/** One picture in flight, then the newest. @param {number} mine */
const film = async (mine) => {
  for (;;) {
    const time_ms = await camera.next();
    if (run !== mine) return;
    try {
      const shot = await camera.shot(time_ms);
      const answer = await fetch(`${address}/frames?time_s=${(time_ms / 1000).toFixed(6)}`, { method: "POST", headers: shot.headers, body: shot.body });
      show(await read(answer));
      complain("");
    } catch (error) {
      const status = /** @type {any} */ (error).status;
      complain(words(error));
      if (status === 404 || status === 409 || status === 422 || status === 401) return stop();
      await new Promise((done) => setTimeout(done, 500));
    }
  }
};

// ---- orders

const undo = async () => {
  try {
    show(await read(await fetch(`${address}/undo`, { method: "POST" })));
    sound.tones([440]);
    tell("The last view was taken back.");
  } catch (error) { complain(words(error)); }
};

const finish = async () => {
  const button = /** @type {HTMLButtonElement} */ (find("[data-finish]"));
  button.disabled = true;
  write(find("[data-finishing]"), "Making the profile from the kept pictures.");
  try {
    const { camera: id } = await read(await fetch(`${address}/finish`, { method: "POST" }));
    stop();
    location.assign(`/measurements/${id}`);
  } catch (error) {
    write(find("[data-finishing]"), "");
    complain(words(error));
    button.disabled = false;
  }
};

page.addEventListener("click", (event) => {
  const button = event.target instanceof Element ? event.target.closest("button") : null;
  if (button?.matches("[data-start]")) start();
  else if (button?.matches("[data-stop]")) stop();
  else if (button?.matches("[data-undo]")) undo();
  else if (button?.matches("[data-finish]")) finish();
});
addEventListener("keydown", (event) => {
  const on = event.target instanceof Element ? event.target : null;
  if (event.key.toLowerCase() !== "u" || event.repeat || event.ctrlKey || event.altKey || event.metaKey || on?.closest("input, select, textarea")) return;
  event.preventDefault();
  undo();
});
devices.addEventListener("change", () => { if (isFilming) start(); });

const soundBox = /** @type {HTMLInputElement} */ (find("[data-sound]"));
switchBy(soundBox, sound);

if (isSecureContext && navigator.mediaDevices) {
  find("[data-controls]").hidden = false;
  if (await camera.devices().catch(() => [])) offerDevices();
} else find("[data-insecure]").hidden = false;
await fetch(address).then(read).then(show).catch((error) => complain(words(error)));
