// @ts-check
// Draws tags, hinge lines and reasons over the picture of the camera.

/** @typedef {import("/live.js").Tag & {hinge_px?: [number, number][] | null, name?: string}} Drawn */

/**
 * An empty sheet over the picture, with its pixels for one of the page and for one of the picture; `null`
 * before the first picture.
 * @param {HTMLCanvasElement} canvas @param {HTMLVideoElement} video
 */
export const cleared = (canvas, video) => {
  const context = canvas.getContext("2d");
  if (!context || !video.videoWidth) return null;
  const ratio = devicePixelRatio, width = Math.round(canvas.clientWidth * ratio), height = Math.round(canvas.clientHeight * ratio);
  if (canvas.width !== width || canvas.height !== height) Object.assign(canvas, { width, height });
  context.clearRect(0, 0, width, height);
  return { context, ratio, scale: width / video.videoWidth };
};

/**
 * @param {HTMLCanvasElement} canvas @param {HTMLVideoElement} video
 * @param {Drawn[]} tags @param {boolean} isStale
 */
export const draw = (canvas, video, tags, isStale) => {
  const sheet = cleared(canvas, video);
  if (!sheet) return;
  const { context, ratio, scale } = sheet;
  context.globalAlpha = isStale ? 0.4 : 1;
  context.font = `600 ${14 * ratio}px system-ui, sans-serif`;
  context.textBaseline = "bottom";
  for (const tag of tags) {
    if (tag.hinge_px) line(context, tag.hinge_px.map((point) => point.map((value) => value * scale)), ["#000a", "#ffd54a"], ratio, [9 * ratio, 5 * ratio]);
    if (!tag.corners_px) continue;
    const corners = tag.corners_px.map((point) => point.map((value) => value * scale));
    line(context, [...corners, corners[0]], ["#000a", tag.seen ? "#7df09a" : "#ff9d5c"], ratio, []);
    const name = tag.name ?? (tag.seen ? "" : "airframe");
    if (name) label(context, corners, tag.seen ? name : `${name}: ${tag.why}`, ratio);
  }
  context.globalAlpha = 1;
};

/**
 * A line with a dark rim, so that it shows on any picture; widths of the rim and of the line.
 * @param {CanvasRenderingContext2D} context @param {number[][]} points @param {string[]} colours
 * @param {number} ratio @param {number[]} dashes @param {number[]} [widths]
 */
export const line = (context, points, colours, ratio, dashes, widths = [5, 2]) => {
  colours.forEach((colour, place) => {
    context.beginPath();
    points.forEach(([x, y], at) => at ? context.lineTo(x, y) : context.moveTo(x, y));
    context.lineWidth = widths[place] * ratio;
    context.strokeStyle = colour;
    context.setLineDash(place ? dashes : []);
    context.stroke();
  });
};

/** @param {CanvasRenderingContext2D} context @param {number[][]} corners @param {string} words @param {number} ratio */
const label = (context, corners, words, ratio) => {
  const wide = context.measureText(words).width + 8 * ratio, high = 20 * ratio;
  const left = Math.min(...corners.map(([x]) => x)), top = Math.min(...corners.map(([, y]) => y)) - 4 * ratio;
  const x = Math.max(0, Math.min(left, context.canvas.width - wide)), y = Math.max(high, top);
  context.setLineDash([]);
  context.fillStyle = "#000c";
  context.fillRect(x, y - high, wide, high);
  context.fillStyle = "#fff";
  context.fillText(words, x + 4 * ratio, y - 2 * ratio);
};
