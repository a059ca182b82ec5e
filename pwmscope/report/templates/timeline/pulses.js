const FRAMES_SHOWN = 6;

/** Whether a line is drawn as its level: a few frames, all of whose pulses are kept. */
function showsPulses(lane) {
  return view.to_s - view.from_s <= FRAMES_SHOWN * lane.period_s && isKept(view.from_s, view.to_s);
}

function saidWidth(lane, row) {
  return `${lane.width_us[row].toFixed(lane.decimals)} us`;
}

function paintPulses(place, lane, isChosen) {
  const { pen, left, right, top, bottom } = place;
  const high = top + 34, low = bottom - 12;
  const idle = lane.inverted ? high : low, active = lane.inverted ? low : high;
  pen.fillStyle = GREY;
  pen.textAlign = "right";
  pen.fillText("high", left - 6, high);
  pen.fillText("low", left - 6, low);
  pen.textAlign = "left";
  pen.fillText("level", 0, 8);
  pen.strokeStyle = GREY;
  pen.lineWidth = 0.8;
  line(pen, left, top, left, bottom);
  pen.save();
  pen.beginPath();
  pen.rect(left, 0, right - left, place.height);
  pen.clip();
  const first = Math.max(0, placeOf(lane.rise_s, view.from_s) - 1);
  const last = placeOf(lane.rise_s, view.to_s);
  pen.strokeStyle = INK;
  pen.lineWidth = 1.6;
  pen.beginPath();
  pen.moveTo(left - 5, idle);
  for (let row = first; row < last; row += 1) {
    const rises = clamped(place, lane.rise_s[row]);
    const falls = clamped(place, lane.rise_s[row] + lane.width_us[row] / 1e6);
    pen.lineTo(rises, idle);
    pen.lineTo(rises, active);
    pen.lineTo(falls, active);
    pen.lineTo(falls, idle);
  }
  pen.lineTo(right + 5, idle);
  pen.stroke();
  const told = isChosen ? pulseAt(lane, view.at_s) : -1;
  const isTold = told >= first && told < last;
  const taken = isTold ? roomOf(place, lane, told) : [Infinity, -Infinity];
  let free = left;
  for (let row = first; row < last; row += 1) {
    const isSeen = place.x(lane.rise_s[row] + lane.width_us[row] / 1e6) > left;
    if (row !== told && isSeen) free = paintWidth(place, lane, row, high, free, taken);
  }
  if (isTold) paintSize(place, lane, told, high, low);
  pen.restore();
}

/** An x that a canvas can hold, however far outside. */
function clamped(place, time_s) {
  return Math.max(place.left - 5, Math.min(place.right + 5, place.x(time_s)));
}

function middleOf(place, lane, row, words) {
  const from = clamped(place, lane.rise_s[row]);
  const to = clamped(place, lane.rise_s[row] + lane.width_us[row] / 1e6);
  const half = place.pen.measureText(words).width / 2 + 2;
  return Math.max(place.left + half, Math.min(place.right - half, (from + to) / 2));
}

/** The room that a pulse's width takes over it, from where to where. */
function roomOf(place, lane, row) {
  const words = saidWidth(lane, row);
  const middle = middleOf(place, lane, row, words), half = place.pen.measureText(words).width / 2 + 4;
  return [middle - half, middle + half];
}

/** Write a pulse's width over it where there is room; return where the room begins. */
function paintWidth(place, lane, row, high, free, taken) {
  const words = saidWidth(lane, row);
  const middle = middleOf(place, lane, row, words);
  const [from, to] = roomOf(place, lane, row);
  const half = (to - from) / 2 - 4;
  if (to > taken[0] && from < taken[1]) return free;
  const next = row + 1 < lane.rise_s.length ? place.x(lane.rise_s[row + 1]) : Infinity;
  if (middle - half < free || 2 * half > next - place.x(lane.rise_s[row])) return free;
  label(place.pen, words, middle, high - 11, "center");
  return middle + half + 8;
}

/** Draw the size of the pulse that the text tells about, between its true edges. */
function paintSize(place, lane, row, high, low) {
  const { pen } = place;
  const from = clamped(place, lane.rise_s[row]);
  const to = clamped(place, lane.rise_s[row] + lane.width_us[row] / 1e6);
  const middle = (high + low) / 2;
  const words = saidWidth(lane, row);
  pen.strokeStyle = INK;
  pen.lineWidth = 1.2;
  line(pen, from, middle, to, middle);
  line(pen, from, middle - 5, from, middle + 5);
  line(pen, to, middle - 5, to, middle + 5);
  pen.font = `bold 12px ${LETTERS}`;
  label(pen, words, middleOf(place, lane, row, words), high - 11, "center");
  pen.font = `12px ${LETTERS}`;
}

function paintLossWords(place, lane) {
  const { pen } = place;
  for (const loss of lane.losses) {
    const from = Math.max(place.left, place.x(loss.start_s));
    const to = Math.min(place.right, place.x(loss.end_s));
    const words = [`lost: ${loss.words}`, loss.words, "lost"].find((each) => pen.measureText(each).width + 8 < to - from);
    if (words) label(pen, words, (from + to) / 2, 8, "center");
  }
}

/** Below the plot a row for each kind of odd pulse that the line has, named at its left. */
function paintStrays(place, lane) {
  if (!lane.kinds.length) return;
  const { pen } = place;
  const level = [...lane.pyramid].reverse().find((each) => each.bucket_s <= 2 * place.s_per_px);
  const times = level
    ? { ...bucketTimes(level), marks: level.marks }
    : {
      first: placeOf(lane.rise_s, view.from_s),
      last: placeOf(lane.rise_s, view.to_s),
      at: (row) => lane.rise_s[row],
      marks: lane.marks,
    };
  if (!level) paintLeftOut(place, lane);
  lane.kinds.forEach((kind, i) => {
    const y = place.bottom + ROW * (i + 0.5) + 2;
    pen.fillStyle = GREY;
    pen.textAlign = "right";
    pen.font = `11px ${LETTERS}`;
    pen.fillText(kind.row, place.left - 5, y);
    let free = -Infinity;
    for (let row = times.first; row < times.last; row += 1) {
      if (!(times.marks[row] & kind.bit)) continue;
      const x = place.x(times.at(row));
      if (x < free || x < place.left - 2 || x > place.right + 2) continue;
      paintMark(pen, kind.bit, x, y);
      free = x + 5;
    }
  });
  pen.font = `12px ${LETTERS}`;
}

/** Marks of the stretches whose pulses are not kept, over the stretch's middle. */
function paintLeftOut(place, lane) {
  const level = lane.pyramid[0];
  const times = bucketTimes(level);
  for (let row = times.first; row < times.last; row += 1) {
    const start_s = recording.start_s + row * level.bucket_s;
    if (isKept(start_s, Math.min(recording.end_s, start_s + level.bucket_s))) continue;
    lane.kinds.forEach((kind, i) => {
      if (!(level.marks[row] & kind.bit)) return;
      paintMark(place.pen, kind.bit, place.x(times.at(row)), place.bottom + ROW * (i + 0.5) + 2);
    });
  }
}

function paintMark(pen, bit, x, y) {
  pen.strokeStyle = bit === 1 ? INK : ALARM;
  pen.lineWidth = 1.7;
  if (bit === 2) {
    line(pen, x - 3.5, y - 3.5, x + 3.5, y + 3.5);
    line(pen, x - 3.5, y + 3.5, x + 3.5, y - 3.5);
  } else if (bit === 4) {
    line(pen, x - 4, y, x + 4, y);
    line(pen, x, y - 4, x, y + 4);
  } else if (bit === 8) {
    pen.beginPath();
    pen.moveTo(x, y - 4.5);
    pen.lineTo(x + 4, y);
    pen.lineTo(x, y + 4.5);
    pen.lineTo(x - 4, y);
    pen.closePath();
    pen.stroke();
  } else line(pen, x, y - 4.5, x, y + 4.5);
}

function paintPointer(place, isChosen) {
  if (view.at_s < view.from_s || view.at_s > view.to_s) return;
  const { pen } = place;
  pen.strokeStyle = isChosen ? INK : GREY;
  pen.lineWidth = isChosen ? 1.2 : 0.6;
  pen.setLineDash(isChosen ? [2, 3] : [1, 5]);
  line(pen, place.x(view.at_s), place.top - 4, place.x(view.at_s), place.height - 4);
  pen.setLineDash([]);
}
