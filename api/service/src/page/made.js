"use strict";
// Asks what became of the last make, and loads the setup sheet anew when another one was made.
const by = (id) => document.getElementById(id);
const EVERY_MS = 500;
let loaded = 0;

function tell(state) {
  by("line").textContent = state.line || "Being made for the first time…";
  by("stale").textContent = state.stale ? `Stale: ${state.stale}` : "";
  by("stale").hidden = !state.stale;
  by("more").hidden = state.changes.length === 0;
  by("changes").replaceChildren(...state.changes.map((text) => {
    const item = document.createElement("li");
    item.textContent = text;
    return item;
  }));
  const sheet = by("sheet");
  sheet.hidden = !state.shown;
  sheet.classList.toggle("stale", Boolean(state.stale));
  if (!state.shown || state.shown.make === loaded) return;
  if (loaded === 0) sheet.src = "made/setup-sheet.html";
  else sheet.contentWindow.location.reload();
  loaded = state.shown.make;
}

async function look() {
  try {
    tell(await (await fetch("state")).json());
  } catch {
    by("stale").textContent = "Stale: the watch has ended, or cannot be reached.";
    by("stale").hidden = false;
    by("sheet").classList.add("stale");
  }
  setTimeout(look, EVERY_MS);
}

look();
