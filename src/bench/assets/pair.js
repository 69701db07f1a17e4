// @ts-check
// Pairs this phone by the code after the # of the address. Browsers do not send that part.

const status = document.querySelector("[data-status]");
/** @param {string} words */
const say = (words) => { if (status) status.textContent = words; };

// What follows a ! is the page to go on to, one of ours.
const [code, page = "/"] = location.hash.slice(1).split("!");
const onward = /^\/(?!\/)/.test(page) ? page : "/";
history.replaceState(null, "", location.pathname);
if (!code && page === "/") say("Scan the code that the page “Phone” of the computer shows.");
else {
  say("Pairing.");
  try {
    // A phone that comes from the page without encryption is paired already.
    const answer = await (code ? fetch("/api/pair", { method: "POST", body: code }) : fetch("/api/aircraft"));
    if (answer.ok) location.replace(onward);
    else { const { error, help } = await answer.json(); say(`${error}. ${help}`); }
  } catch { say("The bench does not answer. Are both in the same network?"); }
}
