// Talking to the server on this machine: requests, the job's state as it changes, and what is said to the person.

let saying = 0;
let troubleSince = 0;
const TROUBLE_READ_MS = 2_000;

// Trouble stays until the person goes on: the next press after it could be read takes it away.
addEventListener("pointerdown", () => {
  const region = document.getElementById("said");
  if (region.classList.contains("trouble") && troubleSince && performance.now() - troubleSince > TROUBLE_READ_MS) region.textContent = "";
}, true);

/** Say something in the live region; trouble is said at once. */
export function say(words, { trouble = false } = {}) {
  const region = document.getElementById("said");
  region.classList.toggle("trouble", trouble);
  region.setAttribute("role", trouble ? "alert" : "status");
  region.textContent = "";
  // Set after a moment, so that the same words said twice are heard twice.
  clearTimeout(saying);
  saying = setTimeout(() => {
    region.textContent = words;
    troubleSince = trouble ? performance.now() : 0;
    if (!trouble) saying = setTimeout(() => { region.textContent = ""; }, 9_000);
  }, 30);
}

async function answer(response) {
  const text = await response.text();
  let data = {};
  try {
    data = text ? JSON.parse(text) : {};
  } catch {
    data = { message: text };
  }
  return { ok: response.ok, status: response.status, data };
}

/** Ask the server; a refusal is said aloud and answered with null unless `quiet`. */
export async function ask(path, body, { quiet = false, method } = {}) {
  try {
    const options = body === undefined ? {} : { method: "POST", headers: { "content-type": "application/json" }, body: JSON.stringify(body) };
    if (method) options.method = method;
    const got = await answer(await fetch(path, options));
    if (got.ok) return got.data;
    if (!quiet) say(got.data.message || got.data.words || "this could not be done", { trouble: true });
    return quiet ? { ...got.data, refused: got.status } : null;
  } catch {
    if (!quiet) say("the page's server does not answer; start it again with 'tracewheel open'", { trouble: true });
    return null;
  }
}

/** Record one correction; false when it was refused (and said so). */
export const change = async (record) => (await ask("/api/change", record)) !== null;

/** Bring in one file. */
export async function bring(file) {
  try {
    const got = await answer(await fetch(`/api/inbox/${encodeURIComponent(file.name)}`, { method: "PUT", body: file }));
    if (got.ok) return got.data;
    say(`${file.name}: ${got.data.message || "not taken"}`, { trouble: true });
  } catch {
    say(`${file.name} could not be brought in`, { trouble: true });
  }
  return null;
}

/** Follow the job: `heard(state)` at once and after every change, by this page or another. */
export async function follow(heard) {
  let revision = 0;
  for (;;) {
    try {
      const response = await fetch(`/api/state${revision ? `?since=${revision}` : ""}`);
      if (!response.ok) throw new Error(String(response.status));
      const state = await response.json();
      if (state.revision !== revision) {
        revision = state.revision;
        heard(state);
      }
    } catch {
      document.getElementById("saved").textContent = "The server does not answer; nothing you did before is lost.";
      await new Promise((r) => setTimeout(r, 1500));
      continue;
    }
    document.getElementById("saved").textContent = "Every change is kept as you make it.";
  }
}
