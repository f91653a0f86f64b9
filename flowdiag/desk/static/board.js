// Keeps the list of all sites as it is now: asks what changed since the version that is shown, and nothing while nobody looks.
"use strict";

function keepingBoard() {
  const table = document.getElementById("board");
  const age = document.getElementById("age");
  if (!table) return;
  let version = table.dataset.version;
  let timer = 0;
  const every = Number(table.dataset.every) * 1000;

  const look = async () => {
    clearTimeout(timer);
    if (document.hidden) {
      age.textContent = age.dataset.paused;
      return;
    }
    try {
      const address = table.dataset.changes + (table.dataset.changes.includes("?") ? "&" : "?") + "since=" + version;
      const answer = await fetch(address, { headers: { Accept: "application/json" } });
      if (answer.status === 401) {
        location.reload();
        return;
      }
      const changed = await answer.json();
      age.textContent = changed.status;
      version = changed.version;
      if (changed.rows !== undefined) show(changed);
    } catch {
      age.textContent = age.dataset.lost;
    }
    timer = setTimeout(look, every);
  };

  const show = (changed) => {
    const address = document.activeElement?.getAttribute("href");
    const held = document.activeElement?.closest("#board, #counts");
    table.tBodies[0].innerHTML = changed.rows;
    document.getElementById("counts").innerHTML = changed.counts;
    if (held && address) document.querySelector(`#${held.id} a[href="${CSS.escape(address)}"]`)?.focus();
  };

  timer = setTimeout(look, every);
  document.addEventListener("visibilitychange", look);
}

keepingBoard();
