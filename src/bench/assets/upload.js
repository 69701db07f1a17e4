// @ts-check
// Sends a clip in chunks that go on where they broke off: phones sleep, and networks fail.

/** Bytes of a chunk. */
const CHUNK = 8 << 20;
/** Longest pause before the next try, ms. */
const LONGEST_PAUSE = 15000;

/** @param {number} ms */
const pause = (ms) => new Promise((done) => {
  const timer = setTimeout(done, ms);
  addEventListener("online", () => { clearTimeout(timer); done(undefined); }, { once: true });
});

/**
 * @param {string} method @param {string} url @param {Blob | null} body
 * @param {Record<string, string>} headers @param {(sent: number) => void} sent
 * @returns {Promise<XMLHttpRequest>}
 */
const send = (method, url, body, headers, sent) => new Promise((done, fail) => {
  const request = new XMLHttpRequest();
  request.open(method, url);
  for (const name in headers) request.setRequestHeader(name, headers[name]);
  request.upload.onprogress = (event) => sent(event.loaded);
  request.onload = () => done(request);
  request.onerror = request.onabort = request.ontimeout = () => fail(new Error("broken off"));
  request.send(body);
});

/** @param {XMLHttpRequest} request */
const words = (request) => {
  try {
    const { error, help } = JSON.parse(request.responseText);
    return `${error}. ${help}`;
  } catch { return `The bench answered ${request.status}.`; }
};

/** @param {File} file @param {(text: string, part?: number) => void} say */
const upload = async (file, say) => {
  const query = new URLSearchParams({ name: file.name, bytes: String(file.size), changed_ms: String(file.lastModified) });
  const begun = await send("POST", `/api/clips?${query}`, null, {}, () => {});
  if (begun.status >= 400) throw new Error(words(begun));
  const url = `/api/clips/${JSON.parse(begun.responseText).id}`;
  let at = 0, tries = 0;
  const started = Date.now();
  for (;;) {
    const end = Math.min(at + CHUNK, file.size);
    const from = at;
    try {
      const range = { "Content-Range": `bytes ${from}-${end - 1}/${file.size}` };
      const answer = await send("PATCH", url, file.slice(from, end), range, (sent) => {
        const done = from + sent, left = (Date.now() - started) * (file.size - done) / Math.max(done, 1) / 1000;
        say(`${Math.floor(100 * done / file.size)} % sent, about ${Math.ceil(left)} s left`, done / file.size);
      });
      if (answer.status >= 400 && ![408, 409].includes(answer.status)) throw new Error(words(answer), { cause: "refused" });
      if (answer.status < 400) {
        const known = JSON.parse(answer.responseText);
        if (known.codec) return known.id;
        at = known.bytes; tries = 0;
        continue;
      }
    } catch (error) {
      if (error instanceof Error && error.cause === "refused") throw error;
    }
    tries += 1;
    say(`The connection broke off at ${Math.floor(100 * at / file.size)} %. It continues as soon as possible.`, at / file.size);
    await pause(Math.min(500 * 2 ** tries, LONGEST_PAUSE));
    try {
      const known = await send("HEAD", url, null, {}, () => {});
      if (known.status === 404) throw new Error("The bench no longer knows this clip. Send it again.", { cause: "refused" });
      at = Number(known.getResponseHeader("Upload-Offset") ?? at);
      if (at === file.size) return JSON.parse((await send("GET", url, null, {}, () => {})).responseText).id;
    } catch (error) {
      if (error instanceof Error && error.cause === "refused") throw error;
    }
  }
};

for (const form of document.querySelectorAll("form[data-upload]")) {
  if (!(form instanceof HTMLFormElement)) continue;
  form.addEventListener("submit", async (event) => {
    const input = form.querySelector("input[type=file]");
    const file = input instanceof HTMLInputElement ? input.files?.[0] : null;
    const status = form.querySelector("[data-status]"), button = form.querySelector("button");
    if (!file || !status || !button) return;
    event.preventDefault();
    const bar = document.createElement("progress"), text = document.createElement("p");
    bar.setAttribute("aria-label", "Part that is sent");
    status.replaceChildren(text, bar);
    button.disabled = true;
    try {
      const id = await upload(file, (words, part) => {
        if (text.textContent !== words) text.textContent = words;
        if (part !== undefined) bar.value = part;
      });
      text.textContent = "Arrived. Looking at it.";
      location.assign(form.dataset.upload + id);
    } catch (error) {
      text.textContent = error instanceof Error ? error.message : String(error);
      text.className = "wrong";
      bar.remove();
      button.disabled = false;
    }
  });
}
