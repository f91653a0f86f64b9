// Makes pages pleasant that work without it. Nothing from elsewhere, no state of its own.
"use strict";

function copying() {
  for (const button of document.querySelectorAll("button[data-copies]")) {
    button.addEventListener("click", async () => {
      const text = document.getElementById(button.dataset.copies);
      await navigator.clipboard.writeText(text.value);
      button.parentElement.querySelector(".said").textContent = button.dataset.said;
    });
  }
}

// What was waited for is there: the page anew, or the part of it that comes later, so that the rest stays as somebody left it.
async function arrive(part) {
  if (!part) {
    location.reload();
    return;
  }
  const answer = await fetch(location.href);
  const page = new DOMParser().parseFromString(await answer.text(), "text/html");
  part.replaceWith(page.querySelector(".later"));
  waiting();
}

function waiting() {
  const place = document.querySelector("[data-work]");
  if (!place) return;
  const address = `/answers/${place.dataset.work}`;
  let leaves = true;
  const look = async () => {
    const answer = await fetch(address, { headers: { Accept: "application/json" } });
    const { over, part, words } = await answer.json();
    if (over) {
      leaves = false;
      await arrive(place.closest(".later"));
      return;
    }
    place.querySelector("[role=status]").textContent = words;
    if (part !== null) place.querySelector("progress").value = part;
    setTimeout(look, 500);
  };
  setTimeout(look, 500);
  addEventListener("pagehide", () => {
    const form = new FormData();
    form.append("form_token", place.querySelector("[name=form_token]").value);
    if (leaves) navigator.sendBeacon(`${address}/leave`, form);
  });
}

function finding() {
  const field = document.getElementById("find");
  const found = document.getElementById("found");
  if (!field || !found) return;
  let asked = 0;
  field.addEventListener("input", async () => {
    const mine = ++asked;
    const answer = await fetch(`/sites/suggest?find=${encodeURIComponent(field.value)}`);
    if (!answer.ok) return;
    const list = await answer.text();
    if (mine === asked) found.innerHTML = list;
  });
}

copying();
finding();
waiting();
