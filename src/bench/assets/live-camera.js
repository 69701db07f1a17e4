// @ts-check
// The camera of this device: its pictures one by one, each with its time of capture.

/** Quality of the pictures that a phone sends: below it, blocks of the JPEG move the edges of tags. */
const QUALITY = 0.93;

/** Whether this page was served by this computer itself, so that raw luma costs no network. */
const isLocal = /^(127\.|localhost$|\[::1\]$)/.test(location.hostname);

/**
 * A picture on its way to the bench.
 * @typedef {{body: BodyInit, headers: Record<string, string>, time_ms: number}} Shot
 */

/** What a failed start of the camera means, and what to do. @param {unknown} error */
export const refusalWords = (error) => {
  const name = error instanceof Error ? error.name : "";
  if (name === "NotAllowedError" || name === "SecurityError")
    return "The browser does not let this page use the camera. Allow it beside the address of the page, then start again.";
  if (name === "NotFoundError" || name === "OverconstrainedError")
    return "No camera was found. Connect one, or use a phone, then start again.";
  if (name === "NotReadableError" || name === "AbortError")
    return "The camera cannot be read. Close other programs that use it, then start again.";
  return `The camera does not start: ${error instanceof Error ? error.message : error}`;
};

/**
 * Offers the cameras of this device, where there are several.
 * @param {Camera} camera @param {HTMLSelectElement} list @param {HTMLElement} box
 */
export const listDevices = async (camera, list, box) => {
  const all = await camera.devices(), chosen = camera.track()?.getSettings().deviceId ?? list.value;
  list.replaceChildren(...all.map((one, place) => new Option(one.label || `Camera ${place + 1}`, one.deviceId, false, one.deviceId === chosen)));
  box.hidden = all.length < 2;
};

export class Camera {
  /** @param {HTMLVideoElement} video */
  constructor(video) {
    this.video = video;
    this.canvas = document.createElement("canvas");
    /** @type {MediaStream | null} */
    this.stream = null;
    /** @type {"captureTime" | "mediaTime" | undefined} */
    this.clock = undefined;
    /** @type {Uint8Array<ArrayBuffer>} */
    this.buffer = new Uint8Array(0);
  }

  /** @param {string} device @param {number} width @param {number} height */
  async start(device, width, height) {
    this.stop();
    this.clock = undefined;
    const which = device ? { deviceId: { exact: device } } : { facingMode: "environment" };
    const size = { width: { ideal: width }, height: { ideal: height }, frameRate: { ideal: 30 } };
    /** @type {any} */
    const video = { ...which, ...size, resizeMode: "none" };
    this.stream = await navigator.mediaDevices.getUserMedia({ video, audio: false });
    this.video.srcObject = this.stream;
    await this.video.play();
  }

  /** Keeps the focus where it is: refocusing changes the enlargement, and so the profile. */
  async holdFocus() {
    const track = /** @type {any} */ (this.track());
    if (track?.getCapabilities?.().focusMode?.includes("manual"))
      await track.applyConstraints({ advanced: [{ focusMode: "manual" }] }).catch(() => {});
  }

  track() { return this.stream?.getVideoTracks()[0] ?? null; }

  /** All cameras of this device, by name once the page may use one. */
  async devices() {
    const all = await navigator.mediaDevices.enumerateDevices();
    return all.filter((one) => one.kind === "videoinput");
  }

  stop() {
    this.stream?.getTracks().forEach((track) => track.stop());
    this.stream = null;
    this.video.srcObject = null;
  }

  /** Waits for the next picture; its time is that of capture where the browser knows it. @returns {Promise<number>} */
  next() {
    const video = /** @type {any} */ (this.video);
    if (!video.requestVideoFrameCallback)
      return new Promise((done) => requestAnimationFrame(() => done(performance.now())));
    return new Promise((done) => video.requestVideoFrameCallback(
      (/** @type {number} */ now, /** @type {any} */ about) => {
        // One clock throughout: browsers that know the time of capture know it of every picture.
        this.clock ??= about.captureTime !== undefined ? "captureTime" : "mediaTime";
        done(this.clock === "mediaTime" ? 1000 * about.mediaTime : about.captureTime ?? now);
      }));
  }

  /** The picture that the video shows now. @param {number} time_ms @returns {Promise<Shot>} */
  async shot(time_ms) {
    if (!isLocal) return { body: await this.jpeg(), headers: { "Content-Type": "image/jpeg" }, time_ms };
    const luma = (await this.plane()) ?? this.grey();
    const headers = { "Content-Type": "application/octet-stream", "X-Width": String(luma.width), "X-Height": String(luma.height), "X-Range": luma.range };
    return { body: luma.bytes, headers, time_ms };
  }

  /** The luma of the picture as the camera gave it. */
  async plane() {
    if (!("VideoFrame" in window)) return null;
    const frame = new VideoFrame(this.video);
    try {
      if (!/^(I4|NV12)/.test(frame.format ?? "") || /P1/.test(frame.format ?? "")) return null;
      const bytes = this.room(frame.allocationSize());
      const [{ offset, stride }] = await frame.copyTo(bytes);
      const { width, height } = frame.visibleRect ?? { width: frame.codedWidth, height: frame.codedHeight };
      if (stride !== width)
        for (let row = 0; row < height; row += 1) bytes.copyWithin(row * width, offset + row * stride, offset + row * stride + width);
      const from = stride === width ? offset : 0;
      return { bytes: bytes.subarray(from, from + width * height), width, height, range: frame.colorSpace.fullRange ? "full" : "limited" };
    } finally { frame.close(); }
  }

  /** The luma of the picture, weighted after ITU-R BT.709, where only its colours are to be had. */
  grey() {
    const { width, height, context } = this.drawn();
    const colours = context.getImageData(0, 0, width, height).data;
    const bytes = this.room(width * height);
    for (let at = 0, from = 0; at < bytes.length; at += 1, from += 4)
      bytes[at] = (54 * colours[from] + 183 * colours[from + 1] + 19 * colours[from + 2] + 128) >> 8;
    return { bytes, width, height, range: "full" };
  }

  /** @returns {Promise<Blob>} */
  jpeg() {
    this.drawn();
    return new Promise((done, fail) => this.canvas.toBlob((blob) => blob ? done(blob) : fail(new Error("no picture")), "image/jpeg", QUALITY));
  }

  drawn() {
    const [width, height] = [this.video.videoWidth, this.video.videoHeight];
    if (this.canvas.width !== width || this.canvas.height !== height) Object.assign(this.canvas, { width, height });
    const context = /** @type {CanvasRenderingContext2D} */ (this.canvas.getContext("2d", { willReadFrequently: isLocal }));
    context.drawImage(this.video, 0, 0);
    return { width, height, context };
  }

  /** @param {number} size */
  room(size) {
    if (this.buffer.length !== size) this.buffer = new Uint8Array(size);
    return this.buffer;
  }
}
