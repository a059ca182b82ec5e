/** The page's colours, light or dark; see `takeColours`. */
let INK, GREY, BAND, DWELL, ALARM, LOSS, PAPER;
const LETTERS = 'system-ui, "DejaVu Sans", sans-serif';
const LEFT = 78, RIGHT = 10, CLOSEST_S = 2e-4;

let recording = null;
let lanes = [];
/** What is shown, from where to where, and the instant and line that the text tells about. */
const view = { from_s: 0, to_s: 1, at_s: 0.5, lane: 0 };

function takeColours() {
  const given = getComputedStyle(document.documentElement);
  const take = (name, otherwise) => given.getPropertyValue(name).trim() || otherwise;
  INK = take("--ink", "#1b1f24");
  GREY = take("--soft", "#5b6470");
  BAND = take("--band", "#dbe9e8");
  DWELL = take("--line", "#d9d5cc");
  ALARM = take("--bad", "#b23a0e");
  LOSS = take("--warnbg", "#fff1d2");
  PAPER = take("--paper", "#fbfaf7");
}

function show(from_s, to_s) {
  const whole_s = recording.end_s - recording.start_s;
  const span_s = Math.min(whole_s, Math.max(Math.min(CLOSEST_S, whole_s), to_s - from_s));
  const most_s = recording.end_s - span_s;
  view.from_s = Math.max(recording.start_s, Math.min(most_s, from_s));
  view.to_s = view.from_s + span_s;
}

function pointAt(time_s) {
  view.at_s = Math.max(recording.start_s, Math.min(recording.end_s, time_s));
}

/** Show a part that is so many times as long, keeping one instant where it is. */
function stretch(times, about_s) {
  const within_s = Math.max(view.from_s, Math.min(view.to_s, about_s));
  show(within_s - (within_s - view.from_s) * times, within_s + (view.to_s - within_s) * times);
}

/** Move by a part of what is shown; the instant that is told about moves too. */
function shift(part) {
  const before_s = view.from_s;
  const by_s = part * (view.to_s - view.from_s);
  show(view.from_s + by_s, view.to_s + by_s);
  pointAt(view.at_s + (view.from_s - before_s || by_s));
  pointAt(Math.max(view.from_s, Math.min(view.to_s, view.at_s)));
}

function goTo(time_s) {
  pointAt(time_s);
  if (view.from_s <= time_s && time_s <= view.to_s) return;
  const half_s = (view.to_s - view.from_s) / 2;
  show(time_s - half_s, time_s + half_s);
}

/** A canvas made to fit its place, with x and the instant at x. */
function fitted(canvas, height) {
  const width = canvas.parentElement.clientWidth;
  const dots = window.devicePixelRatio || 1;
  canvas.width = Math.round(width * dots);
  canvas.height = Math.round(height * dots);
  canvas.style.height = `${height}px`;
  const pen = canvas.getContext("2d");
  pen.scale(dots, dots);
  pen.font = `12px ${LETTERS}`;
  pen.textBaseline = "middle";
  const left = LEFT, right = width - RIGHT;
  const s_per_px = (view.to_s - view.from_s) / (right - left);
  const x = (time_s) => left + (time_s - view.from_s) / s_per_px;
  return { pen, left, right, width, height, s_per_px, x };
}

function instantAt(canvas, clientX) {
  const box = canvas.getBoundingClientRect();
  const part = (clientX - box.left - LEFT) / (box.width - LEFT - RIGHT);
  return view.from_s + part * (view.to_s - view.from_s);
}

function tidyStep(least) {
  const power = 10 ** Math.floor(Math.log10(least));
  return [1, 2, 5, 10].map((times) => times * power).find((step) => step >= least * 0.9999);
}

function decimalsOf(step_s) {
  return Math.max(0, -Math.floor(Math.log10(step_s) + 1e-9));
}

/** Decimals that tell instants a pixel or so apart. */
function timeDecimals() {
  return Math.min(7, decimalsOf((view.to_s - view.from_s) / 2000));
}

/** Where the time axis has its marks, and how many decimals they need. */
function timeMarks(place) {
  const needed = 50 + 7 * (String(Math.floor(view.to_s)).length + timeDecimals());
  const step_s = tidyStep(place.s_per_px * needed);
  const marks = [];
  for (let k = Math.ceil(view.from_s / step_s); k * step_s <= view.to_s; k += 1) marks.push(k * step_s);
  return { marks, decimals: decimalsOf(step_s) };
}

function paintAxis(canvas) {
  const place = fitted(canvas, 46);
  const { pen } = place;
  const { marks, decimals } = timeMarks(place);
  pen.strokeStyle = INK;
  pen.fillStyle = INK;
  pen.textAlign = "center";
  line(pen, place.left, 1, place.right, 1);
  for (const mark_s of marks) {
    line(pen, place.x(mark_s), 1, place.x(mark_s), 7);
    const words = mark_s.toFixed(decimals);
    const half = pen.measureText(words).width / 2;
    pen.fillText(words, Math.min(place.x(mark_s), place.width - half), 16);
  }
  const words = "time since the start of the recording (s)";
  pen.fillText(words, Math.max((place.left + place.right) / 2, pen.measureText(words).width / 2), 36);
}

function line(pen, x1, y1, x2, y2) {
  pen.beginPath();
  pen.moveTo(x1, y1);
  pen.lineTo(x2, y2);
  pen.stroke();
}

/** A strip with the whole recording, its losses and odd pulses, and a frame round what is shown. */
function paintWhole(canvas) {
  const place = fitted(canvas, 34);
  const { pen, left, right } = place;
  const whole_s = recording.end_s - recording.start_s;
  const x = (time_s) => left + ((time_s - recording.start_s) / whole_s) * (right - left);
  pen.fillStyle = GREY;
  pen.textAlign = "right";
  pen.fillText("recording", left - 6, 17);
  pen.strokeStyle = GREY;
  pen.strokeRect(left, 10, right - left, 14);
  for (const lane of lanes) {
    for (const loss of lane.losses) hatch(pen, x(loss.start_s), 10, x(loss.end_s), 24);
    const level = lane.pyramid.find((each) => each.marks.length < 4 * (right - left)) || lane.pyramid[lane.pyramid.length - 1];
    pen.fillStyle = ALARM;
    level.marks.forEach((mark, i) => {
      if (mark & STRAY & ~1) pen.fillRect(x(recording.start_s + (i + 0.5) * level.bucket_s) - 0.75, 19, 1.5, 5);
    });
  }
  const from = x(view.from_s);
  pen.strokeStyle = INK;
  pen.lineWidth = 2.5;
  pen.strokeRect(from - 1, 5, Math.max(3, x(view.to_s) - from) + 2, 24);
}

function hatch(pen, from, top, to, bottom, apart = 7) {
  const right = Math.max(to, from + 3);
  pen.save();
  pen.beginPath();
  pen.rect(from, top, right - from, bottom - top);
  pen.clip();
  pen.fillStyle = LOSS;
  pen.fillRect(from, top, right - from, bottom - top);
  pen.strokeStyle = GREY;
  pen.lineWidth = 0.7;
  pen.beginPath();
  const tall = bottom - top;
  const first = Math.floor((Math.max(from, 0) - tall) / apart) * apart;
  for (let start = first; start < Math.min(right, 8000); start += apart) {
    pen.moveTo(start, bottom);
    pen.lineTo(start + tall, top);
  }
  pen.stroke();
  pen.lineWidth = 1.6;
  pen.strokeRect(from, top - 2, right - from, bottom - top + 4);
  pen.restore();
}
