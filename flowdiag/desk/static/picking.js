// Picks a time on a picture: by mouse, touch or keys, to a link that looks closer at exactly that time.
"use strict";

const LEAST_DRAG = 4; // pixels; less is a click
const STEPS_S = [1, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 14400, 21600, 43200, 86400];
const MOST_STEPS = 240; // over a picture: as fine as a hand can point
const FAR = 10; // steps of Page Up and Page Down

class Picking {
  constructor(figure) {
    const { begin, end, closer, zone, left, right } = figure.dataset;
    this.first = Number(begin);
    this.past = Number(end);
    this.closer = closer;
    const wanted = (this.past - this.first) / 1000 / MOST_STEPS;
    this.step = 1000 * (STEPS_S.find((step) => step >= wanted) ?? STEPS_S.at(-1));
    this.clock = writer(zone, this.step, this.past - this.first);
    this.picked = null; // [from, to) in ms since 1970
    this.layers = [...figure.querySelectorAll(".wide, .narrow")].map((view) => this.layer(view, Number(left), Number(right)));
    figure.append(copy("picking"));
    this.controls = figure.querySelector(".picking");
    const button = this.controls.querySelector(".begin");
    button.setAttribute("aria-label", `${button.textContent}: ${figure.querySelector("figcaption").textContent}`);
    button.addEventListener("click", () => this.beginWithKeys());
    this.controls.querySelector(".clear").addEventListener("click", () => this.clear());
    this.show();
  }

  // What lies over the plot of one drawing of the picture.
  layer(view, left, right) {
    view.append(copy("pick-layer"));
    const layer = view.lastElementChild;
    const width = view.querySelector("svg").viewBox.baseVal.width;
    layer.style.left = `${(100 * left) / width}%`;
    layer.style.right = `${(100 * right) / width}%`;
    layer.addEventListener("pointerdown", (event) => this.drag(event, layer));
    layer.querySelectorAll(".edge").forEach((edge, which) => {
      edge.addEventListener("keydown", (event) => this.key(event, which));
    });
    return layer;
  }

  at(event, layer) {
    const place = layer.getBoundingClientRect();
    const part = Math.min(Math.max((event.clientX - place.left) / place.width, 0), 1);
    return this.round(this.first + part * (this.past - this.first));
  }

  round(ms) {
    return Math.min(Math.max(Math.round(ms / this.step) * this.step, this.first), this.past);
  }

  drag(event, layer) {
    if (event.button !== 0) return;
    const before = this.picked;
    const which = [...layer.querySelectorAll(".edge")].indexOf(event.target);
    const fixed = which < 0 ? this.at(event, layer) : before[1 - which];
    const beginX = event.clientX;
    let moved = false;
    layer.setPointerCapture(event.pointerId);
    const move = (next) => {
      moved ||= Math.abs(next.clientX - beginX) >= LEAST_DRAG;
      if (!moved) return;
      const here = this.at(next, layer);
      this.pick(Math.min(fixed, here), Math.max(fixed, here));
    };
    const over = (last) => {
      layer.removeEventListener("pointermove", move);
      layer.removeEventListener("pointerup", over);
      layer.removeEventListener("pointercancel", over);
      if (last.type === "pointercancel") this.restore(before); // the page is scrolled
    };
    layer.addEventListener("pointermove", move);
    layer.addEventListener("pointerup", over);
    layer.addEventListener("pointercancel", over);
    if (which < 0) event.preventDefault(); // no text is selected
  }

  key(event, which) {
    const steps = { ArrowLeft: -1, ArrowDown: -1, ArrowRight: 1, ArrowUp: 1, PageDown: -FAR, PageUp: FAR }[event.key];
    if (steps !== undefined) this.move(which, steps * this.step, event.shiftKey);
    else if (event.key === "Home") this.moveTo(which, this.first);
    else if (event.key === "End") this.moveTo(which, this.past);
    else if (event.key === "Enter") location.assign(this.address());
    else if (event.key === "Escape") this.clear();
    else return;
    event.preventDefault();
  }

  move(which, by, both) {
    if (!both) {
      this.moveTo(which, this.picked[which] + by);
      return;
    }
    const [begin, end] = this.picked;
    const shift = Math.min(Math.max(by, this.first - begin), this.past - end);
    this.pick(begin + shift, end + shift);
  }

  moveTo(which, ms) {
    const ends = [...this.picked];
    ends[which] = which ? Math.max(this.round(ms), ends[0] + this.step) : Math.min(this.round(ms), ends[1] - this.step);
    this.pick(...ends);
  }

  // The middle third, which arrows then move.
  beginWithKeys() {
    const third = (this.past - this.first) / 3;
    if (!this.picked) this.pick(this.round(this.first + third), this.round(this.past - third));
    this.layers.find((layer) => layer.offsetParent)?.querySelector(".edge").focus();
  }

  pick(begin, end) {
    const last = Math.min(Math.max(end, begin + this.step), this.past);
    this.picked = [Math.max(Math.min(begin, last - this.step), this.first), last];
    this.show();
  }

  restore(picked) {
    this.picked = picked;
    this.show();
  }

  clear() {
    this.restore(null);
    this.controls.querySelector(".begin").focus();
  }

  address() {
    const address = new URL(this.closer, location.href);
    const [begin, end] = this.picked.map((ms) => new Date(ms).toISOString().replace(".000Z", "Z"));
    address.searchParams.set("from", begin);
    address.searchParams.set("to", end);
    return address.href;
  }

  show() {
    const { picked } = this;
    const told = picked?.map((ms) => this.clock(ms));
    for (const layer of this.layers) {
      const parts = picked?.map((ms) => (100 * (ms - this.first)) / (this.past - this.first));
      const marked = layer.querySelector(".marked");
      marked.hidden = !picked;
      layer.querySelectorAll(".edge").forEach((edge, which) => {
        edge.hidden = !picked;
        edge.setAttribute("aria-valuemin", this.first);
        edge.setAttribute("aria-valuemax", this.past);
        edge.setAttribute("aria-valuenow", picked ? picked[which] : this.first);
        if (!picked) return;
        edge.setAttribute("aria-valuetext", told[which]);
        edge.style.left = `${parts[which]}%`;
      });
      if (!picked) continue;
      marked.style.left = `${parts[0]}%`;
      marked.style.right = `${100 - parts[1]}%`;
    }
    for (const part of this.controls.querySelectorAll(".picked, .hint")) part.hidden = !picked;
    if (!picked) return;
    this.controls.querySelector("output").textContent = told.join(" \u2013 ");
    this.controls.querySelector("a").href = this.address();
  }
}

function copy(name) {
  return document.getElementById(name).content.cloneNode(true);
}

// Writes a moment as the site's clock shows it: with seconds and with the day where they matter.
function writer(zone, step, length) {
  const form = { timeZone: zone, hour: "2-digit", minute: "2-digit", hourCycle: "h23" };
  if (step < 60000) form.second = "2-digit";
  if (length > 12 * 3600000) Object.assign(form, { weekday: "short", day: "numeric", month: "short" });
  const made = new Intl.DateTimeFormat("en-GB", form);
  return (ms) => made.format(new Date(ms));
}

const figures = document.querySelectorAll("figure.pick");
for (const figure of figures) new Picking(figure);
if (figures.length) document.getElementById("how-to-pick").hidden = false; // without script there is nothing to pick
