// How does this phone get its token?  The code typed (or scanned) is sent once; the token stays out of every script's reach.
const form = document.getElementById("pair-form"), wrong = document.getElementById("code-wrong");

function done() {
  form.hidden = true;
  document.getElementById("trust").hidden = true;
  document.getElementById("paired").hidden = false;
}

form.addEventListener("submit", async (event) => {
  event.preventDefault();
  wrong.textContent = "";
  const body = JSON.stringify({ code: form.elements.code.value, name: form.elements.name.value });
  try {
    const answer = await fetch("/api/v0/pair", { method: "POST", headers: { "Content-Type": "application/json" }, body });
    const said = await answer.json();
    if (said.ok) done();
    else wrong.textContent = said.why;
  } catch {
    wrong.textContent = "The bench does not answer.";
  }
});

// A scanned code stands behind the #, which no browser sends anywhere; it is taken out of the address at once.
if (location.hash.length > 1) {
  form.elements.code.value = location.hash.slice(1, 13);
  history.replaceState(null, "", location.pathname);
}
fetch("/api/v0/state").then((answer) => answer.ok && done(), () => {});
