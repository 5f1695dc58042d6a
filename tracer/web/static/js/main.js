// The bench: six stations that a paper passes, from tray to table, one of them open at a time.

import { h, press, rebuild, s } from "./make.js";
import { viewBox } from "./paths.js";
import { ask, follow, say } from "./talk.js";
import { setUnits, units } from "./lengths.js";
import { tray } from "./tray.js";
import { rule } from "./rule.js";
import { trace } from "./trace.js";
import { cut } from "./cut.js";
import { lay } from "./lay.js";
import { hand } from "./hand.js";
import { coming } from "./coming.js";
import { spoken } from "./spoken.js";

const STATIONS = [tray, rule, trace, cut, lay, hand];
const bench = document.getElementById("bench");
const needle = document.getElementById("needle");
let state = null;
let open = location.hash.slice(1);
let polling = false;
let heardOf = 0;

const page = {
  get state() {
    return state;
  },
  go: (name) => show(name, { focus: true }),
  again: () => draw(),
};

function build() {
  for (const station of STATIONS) {
    const head = h("h2", {},
      h("button", { type: "button", id: `to-${station.name}`, class: "strip", "aria-expanded": "false", "aria-controls": `at-${station.name}`, onclick: () => show(open === station.name ? "" : station.name) },
        h("span", { class: "word" }, station.word), h("span", { class: "sum", id: `sum-${station.name}` })));
    bench.append(h("section", { class: "station", id: `station-${station.name}`, "aria-labelledby": `to-${station.name}` }, head,
      h("div", { class: "work", id: `at-${station.name}`, hidden: true })));
  }
}

function show(name, { focus = false } = {}) {
  const before = open;
  open = STATIONS.some((x) => x.name === name) ? name : "";
  history.replaceState(null, "", open ? `#${open}` : location.pathname);
  if (before !== open) {
    const left = STATIONS.find((x) => x.name === before);
    if (left && left.leave) left.leave();
  }
  draw();
  if (open) {
    const strip = document.getElementById(`to-${open}`);
    if (focus) strip.focus({ preventScroll: true });
    document.getElementById(`station-${open}`).scrollIntoView({ block: "start", behavior: "instant" });
  }
}

function draw() {
  if (!state) return;
  document.getElementById("job-name").textContent = state.job || "Tracewheel";
  document.title = `${state.job} \u2013 Tracewheel`;
  for (const station of STATIONS) {
    const isOpen = station.name === open;
    const section = document.getElementById(`station-${station.name}`);
    const holder = document.getElementById(`at-${station.name}`);
    const sum = station.sum(state);
    section.classList.toggle("open", isOpen);
    section.classList.toggle("done", Boolean(sum.done));
    document.getElementById(`to-${station.name}`).setAttribute("aria-expanded", String(isOpen));
    document.getElementById(`sum-${station.name}`).textContent = sum.words;
    holder.hidden = !isOpen;
    if (isOpen) station.show(holder, page);
    else {
      rebuild(holder, () => []);
    }
  }
}

function drawWork(work) {
  const busy = work.state === "working";
  needle.hidden = !busy;
  coming(work);
  if (busy) {
    rebuild(needle, () => [
      h("progress", { max: "1", value: work.share, "aria-label": work.words }),
      h("p", {}, work.words),
      work.pieces.length ? h("div", { class: "so-far", role: "group", "aria-label": `traced so far: ${work.pieces.map((p) => p.name).join(", ")}` }, work.pieces.slice(-12).map((p) => s("svg", { viewBox: viewBox(p.outline), "aria-hidden": "true" }, s("path", { d: p.outline })))) : null,
      press(work.task === "lay" ? "Stop, keep the best so far" : "Stop", () => ask("/api/cancel", {}), { key: "stop work" }),
    ]);
  }
}

async function poll() {
  if (polling) return;
  polling = true;
  for (;;) {
    const work = await ask("/api/work", undefined, { quiet: true });
    if (!work || work.refused) break;
    drawWork(work);
    if (work.state !== "working") break;
    await new Promise((r) => setTimeout(r, 300));
  }
  polling = false;
}

function heard(next) {
  const before = state;
  state = next;
  // By number: a short task may begin and end between two looks at the job.
  const ended0 = next.work.state !== "working" && before && heardOf !== next.work.number;
  const was = ended0 ? next.work.task : "";
  if (!before || next.work.state !== "working") heardOf = next.work.state === "working" ? next.work.number - 1 : next.work.number;
  if (!before && !open) open = next.pattern ? "trace" : "tray";
  drawWork(next.work);
  if (next.work.state === "working") poll();
  if (was) {
    const ended = next.work;
    if (ended.state === "refused") say(spoken(ended.words), { trouble: true });
    else if (ended.state === "cancelled") say("stopped");
    else if (was === "trace") {
      say(`traced: ${ended.result.pieces} ${ended.result.pieces === 1 ? "piece" : "pieces"}`);
      if (open === "tray") {
        show("trace", { focus: true });
        return;
      }
    } else if (was === "lay") say(ended.result.left ? `laid, ${ended.result.left} left over` : "laid out");
    else if (was === "write") say("the files are written and were measured again");
  }
  draw();
}

for (const value of ["mm", "in"]) {
  const input = document.getElementById(`units-${value}`);
  input.checked = units() === value;
  input.addEventListener("change", () => {
    setUnits(value);
    draw();
  });
}

build();
follow(heard);
