// Dropping a file, saying at once what is too large, offering the zone, and letting go of an upload whose page is left.
"use strict";

function bringing() {
  const form = document.querySelector("form.bring");
  if (!form) return;
  const [drop, file, said] = [form.querySelector(".drop"), form.querySelector("[type=file]"), form.querySelector(".said")];
  const check = () => {
    const large = file.files.length > 0 && file.files[0].size > Number(form.dataset.largest);
    file.setCustomValidity(large ? form.dataset.tooLarge : "");
    said.textContent = large ? form.dataset.tooLarge : "";
  };
  const over = (event) => {
    event.preventDefault();
    drop.classList.toggle("over", event.type === "dragover");
  };
  for (const kind of ["dragover", "dragleave", "drop"]) drop.addEventListener(kind, over);
  drop.addEventListener("drop", (event) => {
    if (event.dataTransfer.files.length !== 1) return;
    file.files = event.dataTransfer.files;
    check();
    if (form.reportValidity()) form.requestSubmit();
  });
  file.addEventListener("change", check);
  form.addEventListener("submit", () => {
    said.textContent = form.dataset.sending;
  });
}

function leaving() {
  const form = document.querySelector("[data-leaves]");
  if (!form) return;
  const address = form.dataset.leaves;
  let stays = false;
  document.addEventListener("submit", () => {
    stays = true;
  });
  document.addEventListener("click", (event) => {
    const link = event.target.closest("a");
    if (link && link.getAttribute("href").startsWith(address)) stays = true;
  });
  addEventListener("pageshow", () => {
    stays = false;
  });
  addEventListener("pagehide", () => {
    const fields = new FormData();
    fields.append("form_token", form.querySelector("[name=form_token]").value);
    if (!stays) navigator.sendBeacon(`${address}/leave`, fields);
  });
}

// The zone of this browser comes first of those that are offered; nothing is filled in.
function zone() {
  const zones = document.getElementById("zones");
  const own = Intl.DateTimeFormat().resolvedOptions().timeZone;
  if (!zones || !own) return;
  const offered = [...zones.options].find((one) => one.value === own) ?? document.createElement("option");
  offered.value = own;
  zones.prepend(offered);
}

bringing();
leaving();
zone();
