// @ts-check
// Keeps ticks as they are made, so that no button has to be pressed.

const form = document.querySelector("form[data-ticks]");
const count = document.querySelector("[data-count]"), again = document.querySelector("[data-when-all]");
for (const button of document.querySelectorAll("[data-without-script]")) button.remove();

const keep = async () => {
  if (!(form instanceof HTMLFormElement) || !(count instanceof HTMLElement)) return;
  const boxes = [...form.querySelectorAll("input[name=tick]")];
  const ticked = boxes.filter((box) => box instanceof HTMLInputElement && box.checked).length;
  const words = `${ticked} of ${boxes.length} entered`;
  again?.classList.toggle("main", ticked === boxes.length);
  try {
    const fields = new URLSearchParams(/** @type {any} */ (new FormData(form)));
    const answer = await fetch(location.pathname, { method: "POST", body: fields, redirect: "manual", keepalive: true });
    if (answer.type !== "opaqueredirect" && !answer.ok) throw new Error();
    count.textContent = words;
  } catch {
    count.textContent = `${words}, but not kept: the bench does not answer`;
  }
};
form?.addEventListener("change", keep);
