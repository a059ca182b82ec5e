const root = document.querySelector(".timeline");
const one = (name) => root.querySelector(`.timeline-${name}`);
const panels = () => [...root.querySelectorAll(".timeline-panel")];
let isDue = false;

function paint() {
  isDue = false;
  panels().forEach((panel, i) => paintPanel(panel.querySelector("canvas"), lanes[i], i === view.lane));
  paintWhole(one("whole"));
  paintAxis(one("axis"));
  one("shown").textContent = shownWords();
  const told = reading();
  if (one("reading").textContent !== told) one("reading").textContent = told;
}

function repaint() {
  if (isDue) return;
  isDue = true;
  requestAnimationFrame(paint);
}

/** Go to the next kept pulse of the chosen line, or the one before. */
function step(by) {
  const lane = lanes[view.lane];
  if (!lane.rise_s.length) return;
  const at = pulseAt(lane, view.at_s);
  const next = at >= 0 ? at + by : placeOf(lane.rise_s, view.at_s) + (by < 0 ? -1 : 0);
  const row = Math.max(0, Math.min(lane.rise_s.length - 1, next));
  goTo(Math.min(recording.end_s, lane.rise_s[row] + lane.width_us[row] / 2e6));
}

/** Go to the next loss or odd pulse of the chosen line, or the one before, and look closer. */
function leap(by) {
  const lane = lanes[view.lane];
  const odd_s = [...lane.rise_s].filter((_, row) => lane.marks[row] & STRAY);
  const places_s = [...odd_s, ...lane.losses.map((loss) => loss.start_s)].sort((a, b) => a - b);
  const near_s = lane.period_s / 1000;
  const found_s = by > 0
    ? places_s.find((time_s) => time_s > view.at_s + near_s)
    : places_s.reverse().find((time_s) => time_s < view.at_s - near_s);
  if (found_s === undefined) return;
  const half_s = Math.min(view.to_s - view.from_s, 40 * lane.period_s) / 2;
  show(found_s - half_s, found_s + half_s);
  pointAt(found_s);
}

const DOES = {
  whole: () => show(recording.start_s, recording.end_s),
  closer: () => stretch(0.5, view.at_s),
  wider: () => stretch(2, view.at_s),
  earlier: () => shift(-0.125),
  later: () => shift(0.125),
  previous: () => leap(-1),
  next: () => leap(1),
  back: () => step(-1),
  on: () => step(1),
};
const KEYS = {
  ArrowLeft: "earlier", ArrowRight: "later", "+": "closer", "=": "closer", "-": "wider", "−": "wider",
  _: "wider", Home: "whole", n: "next", N: "next", p: "previous", P: "previous",
};

function pressed(event) {
  if (event.ctrlKey || event.altKey || event.metaKey) return;
  const isStep = event.shiftKey && (event.key === "ArrowLeft" || event.key === "ArrowRight");
  const does = isStep ? { ArrowLeft: "back", ArrowRight: "on" }[event.key] : KEYS[event.key];
  if (!does) return;
  event.preventDefault();
  DOES[does]();
  repaint();
}

function turned(event, canvas, panel) {
  if (!event.ctrlKey && !panel.contains(document.activeElement)) return;
  event.preventDefault();
  stretch(Math.exp(Math.max(-1, Math.min(1, event.deltaY / 250))), instantAt(canvas, event.clientX));
  repaint();
}

/** Dragging with one finger or the mouse moves; two fingers also zoom. */
function followFingers(canvas, panel, lane) {
  const fingers = new Map();
  const middle = () => [...fingers.values()].reduce((sum, x) => sum + x, 0) / fingers.size;
  const apart = () => (fingers.size < 2 ? 0 : Math.max(...fingers.values()) - Math.min(...fingers.values()));
  canvas.addEventListener("pointerdown", (event) => {
    fingers.set(event.pointerId, event.clientX);
    canvas.setPointerCapture(event.pointerId);
    pointAt(instantAt(canvas, event.clientX));
    view.lane = lane;
    repaint();
  });
  canvas.addEventListener("pointermove", (event) => {
    if (fingers.has(event.pointerId)) {
      const before_s = instantAt(canvas, middle()), before = apart();
      fingers.set(event.pointerId, event.clientX);
      if (before > 10 && apart() > 10) stretch(before / apart(), before_s);
      const by_s = before_s - instantAt(canvas, middle());
      show(view.from_s + by_s, view.to_s + by_s);
    } else if (event.pointerType !== "mouse") return;
    view.lane = lane;
    pointAt(instantAt(canvas, event.clientX));
    repaint();
  });
  for (const end of ["pointerup", "pointercancel"]) {
    canvas.addEventListener(end, (event) => fingers.delete(event.pointerId));
  }
}

/** Pressing on the strip with the whole recording moves what is shown there. */
function followStrip(canvas) {
  const go = (event) => {
    if (!event.buttons) return;
    const box = canvas.getBoundingClientRect();
    const part = (event.clientX - box.left - LEFT) / (box.width - LEFT - RIGHT);
    const time_s = recording.start_s + part * (recording.end_s - recording.start_s);
    const half_s = (view.to_s - view.from_s) / 2;
    show(time_s - half_s, time_s + half_s);
    pointAt(Math.max(view.from_s, Math.min(view.to_s, time_s)));
    repaint();
  };
  canvas.addEventListener("pointerdown", (event) => {
    canvas.setPointerCapture(event.pointerId);
    go(event);
  });
  canvas.addEventListener("pointermove", go);
}

async function begin() {
  recording = JSON.parse(document.getElementById("timeline-data").textContent);
  lanes = await Promise.all(recording.lanes.map(laneOf));
  one("live").hidden = false;
  show(...recording.view_s);
  pointAt((view.from_s + view.to_s) / 2);
  panels().forEach((panel, i) => {
    const canvas = panel.querySelector("canvas");
    panel.addEventListener("keydown", pressed);
    panel.addEventListener("focus", () => {
      view.lane = i;
      repaint();
    });
    canvas.addEventListener("wheel", (event) => turned(event, canvas, panel), { passive: false });
    followFingers(canvas, panel, i);
  });
  root.querySelectorAll("[data-does]").forEach((button) => {
    button.addEventListener("click", () => {
      DOES[button.dataset.does]();
      repaint();
    });
  });
  const dark = matchMedia("(prefers-color-scheme: dark)");
  dark.addEventListener("change", () => {
    takeColours();
    repaint();
  });
  takeColours();
  followStrip(one("whole"));
  new ResizeObserver(repaint).observe(one("live"));
  repaint();
}

if (document.getElementById("timeline-data")) {
  begin().catch((reason) => {
    one("live").hidden = true;
    one("failed").hidden = false;
    console.error(reason);
  });
}
