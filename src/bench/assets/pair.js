// @ts-check
// Pairs this phone by the code after the # of the address. Browsers do not send that part.

const status = document.querySelector("[data-status]");
/** @param {string} words */
const say = (words) => { if (status) status.textContent = words; };

const code = location.hash.slice(1);
history.replaceState(null, "", location.pathname);
if (!code) say("Scan the code that the page “Phone” of the computer shows.");
else {
  say("Pairing.");
  try {
    const answer = await fetch("/api/pair", { method: "POST", body: code });
    if (answer.ok) location.replace("/");
    else { const { error, help } = await answer.json(); say(`${error}. ${help}`); }
  } catch { say("The bench does not answer. Are both in the same network?"); }
}
