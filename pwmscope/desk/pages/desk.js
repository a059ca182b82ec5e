"use strict";
(() => {
const one = (choice, under = document) => under.querySelector(choice);
const all = (choice, under = document) => [...under.querySelectorAll(choice)];
const say = (words) => { one(".said").textContent = words; };

// Parts of a page that change while work goes on: fetched anew whenever the desk tells of a change.
const shown = new WeakMap();
let isFetching = false;
let isDue = false;

async function refresh() {
  if (isFetching) { isDue = true; return; }
  isFetching = true;
  try {
    for (const place of all("[data-part]")) await renew(place);
  } catch { say("The desk does not answer. Start it again by its command."); }
  isFetching = false;
  if (isDue) { isDue = false; refresh(); }
}

async function renew(place) {
  const answer = await fetch(place.dataset.part);
  if (!answer.ok) return;
  const text = await answer.text();
  const held = document.activeElement;
  if (text === shown.get(place) || (place.contains(held) && held.matches("input, select"))) return;
  const label = place.contains(held) ? held.textContent : null;
  const ticked = new Set(all("input:checked", place).map((each) => each.value));
  const isFirst = !shown.has(place);
  shown.set(place, text);
  if (isFirst && isSame(place, text)) return;
  place.innerHTML = text;
  for (const each of all("input[type=checkbox]", place)) each.checked = ticked.has(each.value);
  const go = one("[data-go]", place);
  if (go && !place.dataset.part.includes("shown=")) { location.assign(go.dataset.go); return; }
  if (label !== null) (all("a, button", place).find((each) => each.textContent === label) || one("#page")).focus();
}

// As the browser writes both: a page that shows it already is left alone, under whose finger it may lie.
function isSame(place, text) {
  const made = document.createElement("div");
  made.innerHTML = text;
  return made.innerHTML.trim() === place.innerHTML.trim();
}

let source = null;
function listen() {
  source = new EventSource("/events");
  source.onmessage = refresh;
}
document.addEventListener("visibilitychange", () => {
  if (source) source.close();
  if (!document.hidden) listen();
});
addEventListener("pagehide", () => source && source.close());
addEventListener("pageshow", () => { if (source && source.readyState === 2) listen(); });
listen();

// Dropping and choosing files.
function upload(files) {
  if (!files.length) return;
  const form = new FormData();
  for (const file of files) form.append("files", file, file.name);
  const request = new XMLHttpRequest();
  const stop = one("[data-does=stop-upload]");
  stop.onclick = () => request.abort();
  request.onabort = () => say("The upload was cancelled; nothing of it was kept.");
  let clock = 0;
  request.upload.onload = () => {
    let waited_s = 0;
    clock = setInterval(() => { waited_s += 0.5; say(`Writing it to the disk, ${waited_s.toFixed(1)} s`); }, 500);
  };
  request.onloadend = () => { clearInterval(clock); stop.hidden = true; };
  stop.hidden = false;
  request.open("POST", "/upload");
  request.setRequestHeader("accept", "application/json");
  request.upload.onprogress = (event) => {
    if (event.lengthComputable) say(`Taking ${files.length === 1 ? files[0].name : `${files.length} files`}: ${Math.floor(100 * event.loaded / event.total)} %, ${Math.floor(event.loaded / 1e6)} MB`);
  };
  request.onerror = () => say("The upload broke off. Drop the file again.");
  request.onload = () => {
    let told = {};
    try { told = JSON.parse(request.responseText); } catch { /* said below */ }
    say(told.said || request.responseText || "The upload broke off. Drop the file again.");
    if (told.go) location.assign(told.go);
  };
  request.send(form);
}
const isFiles = (event) => event.dataTransfer && [...event.dataTransfer.types].includes("Files");
addEventListener("dragover", (event) => {
  if (!isFiles(event)) return;
  event.preventDefault();
  document.body.classList.add("dropping");
});
addEventListener("dragleave", (event) => { if (!event.relatedTarget) document.body.classList.remove("dropping"); });
addEventListener("drop", (event) => {
  document.body.classList.remove("dropping");
  if (!isFiles(event)) return;
  event.preventDefault();
  upload(event.dataTransfer.files);
});
one(".drop button").hidden = true; // what is chosen is taken at once
one(".drop").addEventListener("submit", (event) => { event.preventDefault(); upload(one("#files").files); });
one("#files").addEventListener("change", () => upload(one("#files").files));

// The bench sheet, held against its rules while it is filled in.
const sheet = one("form[data-check]");
let timer = 0;
async function check() {
  const answer = await fetch(sheet.dataset.check, { method: "POST", body: new URLSearchParams(new FormData(sheet)) });
  if (!answer.ok) return;
  const told = await answer.json();
  for (const field of all("input[name], select[name]", sheet)) {
    const place = document.getElementById(`${field.id}-fault`);
    if (!place) continue;
    const fault = told.faults[field.name] || "";
    if (place.textContent !== fault) place.textContent = fault;
    if (fault) field.setAttribute("aria-invalid", "true"); else field.removeAttribute("aria-invalid");
  }
  one("#text").value = told.toml;
  one("#rules").innerHTML = told.rules;
}
if (sheet) sheet.addEventListener("input", () => { clearTimeout(timer); timer = setTimeout(check, 250); });

// The countdown: large words, a sound at each step, the space bar begins and stops.
const LEAD_S = 5;
let beat = 0;
let sound = null;
function beep(hertz, lasts_s) {
  if (!one("#sound").checked) return;
  sound = sound || new AudioContext();
  const tone = sound.createOscillator();
  const volume = sound.createGain();
  tone.frequency.value = hertz;
  volume.gain.value = 0.2;
  tone.connect(volume).connect(sound.destination);
  tone.start();
  tone.stop(sound.currentTime + lasts_s);
}
function lead() {
  fetch("/record/plan", { method: "POST", headers: { accept: "application/json" }, body: new URLSearchParams(new FormData(one("#plan"))) })
    .then((answer) => answer.json()).then((told) => { one(".kept").textContent = `The next recording is read by ${told.said}.`; })
    .catch(() => say("The plan was not kept. Start the desk again by its command."));
  const rows = all("#steps tbody tr");
  const steps = [{ name: "Start the recorder now", hands: "The first step begins when the count is over.", lasts_s: LEAD_S },
    ...rows.map((row) => ({ name: row.cells[2].textContent, hands: row.cells[3].textContent, lasts_s: Number(row.dataset.seconds) }))];
  const begun_ms = performance.now();
  let at = -1;
  let told = -1;
  one(".count").hidden = false;
  one("[data-does=lead]").disabled = true;
  one("[data-does=halt]").disabled = false;
  one(".count").scrollIntoView({ block: "start" });
  beat = setInterval(() => {
    let left_s = (performance.now() - begun_ms) / 1000;
    let now = 0;
    while (now < steps.length && left_s >= steps[now].lasts_s) { left_s -= steps[now].lasts_s; now += 1; }
    if (now >= steps.length) { halt("The plan is over: stop the recorder. Switch the robot off before you touch it."); return; }
    if (now !== at) {
      at = now;
      beep(880, 0.25);
      one(".count .step").textContent = steps[now].name;
      one(".count .hands").textContent = steps[now].hands;
      one(".count .then").textContent = now + 1 < steps.length ? `Then: ${steps[now + 1].name}` : "Then it is over.";
    }
    const count = Math.ceil(steps[now].lasts_s - left_s);
    if (count !== told) {
      told = count;
      one(".count .left").textContent = String(count);
      if (count <= 3) beep(440, 0.08);
    }
  }, 50);
}
function halt(words) {
  clearInterval(beat);
  beat = 0;
  beep(330, 0.6);
  one(".count .left").textContent = "";
  one(".count .step").textContent = words;
  one(".count .hands").textContent = "";
  one(".count .then").textContent = "";
  one("[data-does=lead]").disabled = false;
  one("[data-does=halt]").disabled = true;
}
if (one("[data-does=lead]")) {
  one("[data-does=lead]").addEventListener("click", lead);
  one("[data-does=halt]").addEventListener("click", () => halt("Stopped."));
  addEventListener("keydown", (event) => {
    if (event.key !== " " || event.repeat || event.target.closest("a, button, input, select, textarea, summary")) return;
    event.preventDefault();
    if (beat) halt("Stopped."); else lead();
  });
}
document.addEventListener("click", (event) => { if (event.target.closest("[data-does=print]")) print(); });
})();
