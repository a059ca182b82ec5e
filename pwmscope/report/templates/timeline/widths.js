const PLOT = 88, ROW = 14, HEAD = 18;

function panelHeight(lane) {
  return HEAD + PLOT + ROW * lane.kinds.length + 6;
}

function paintPanel(canvas, lane, isChosen) {
  const place = fitted(canvas, panelHeight(lane));
  const isClose = showsPulses(lane);
  place.top = HEAD;
  place.bottom = HEAD + PLOT;
  const { pen } = place;
  pen.save();
  pen.beginPath();
  pen.rect(place.left, 0, place.right - place.left, place.height);
  pen.clip();
  for (const loss of lane.losses) {
    if (loss.end_s < view.from_s || loss.start_s > view.to_s) continue;
    hatch(pen, place.x(loss.start_s), place.top, place.x(loss.end_s), place.bottom, isClose ? 21 : 7);
  }
  pen.restore();
  if (isClose) paintPulses(place, lane, isChosen);
  else paintWidths(place, lane);
  paintLossWords(place, lane);
  paintStrays(place, lane);
  paintPointer(place, isChosen);
}

function paintWidths(place, lane) {
  const { pen, left, right, top, bottom } = place;
  const [least, most] = lane.shown_us;
  place.y = (us) => bottom - ((us - least) / (most - least)) * (bottom - top);
  const [low, neutral, high] = lane.convention_us.map(place.y);
  pen.globalCompositeOperation = "destination-over";
  pen.fillStyle = BAND;
  pen.fillRect(left, high, right - left, low - high);
  pen.globalCompositeOperation = "source-over";
  pen.strokeStyle = GREY;
  pen.lineWidth = 0.8;
  line(pen, left, low, right, low);
  line(pen, left, high, right, high);
  pen.setLineDash([7, 5]);
  line(pen, left, neutral, right, neutral);
  pen.setLineDash([]);
  line(pen, left, top, left, bottom);
  pen.fillStyle = GREY;
  pen.textAlign = "right";
  lane.convention_us.forEach((us) => pen.fillText(String(Math.round(us * 10) / 10), left - 6, place.y(us)));
  pen.textAlign = "left";
  pen.fillText("pulse width (us)", 0, 8);
  pen.save();
  pen.beginPath();
  pen.rect(left, 0, right - left, place.height);
  pen.clip();
  paintLevels(place, lane);
  paintData(place, lane);
  pen.restore();
}

/** Broad bars where a level was stood at, the longest of them with its name and width. */
function paintLevels(place, lane) {
  const { pen } = place;
  for (const level of lane.levels) {
    let longest = [0, 0];
    pen.fillStyle = DWELL;
    for (const [start_s, end_s] of level.visits) {
      const from = Math.max(place.left, place.x(start_s)), to = Math.min(place.right, place.x(end_s));
      if (to < from) continue;
      pen.fillRect(from, place.y(level.width_us) - 4, Math.max(1, to - from), 8);
      if (to - from > longest[1] - longest[0]) longest = [from, to];
    }
    const words = `${level.name} ${level.width_us.toFixed(1)} us`;
    if (longest[1] - longest[0] < pen.measureText(words).width + 6) continue;
    const up = place.y(level.width_us) - 13;
    label(pen, words, longest[0] + 3, up < place.top ? up + 26 : up, "left");
  }
}

function label(pen, words, x, y, align) {
  pen.textAlign = align;
  pen.lineJoin = "round";
  pen.strokeStyle = PAPER;
  pen.lineWidth = 4;
  pen.strokeText(words, x, y);
  pen.fillStyle = INK;
  pen.fillText(words, x, y);
}

/** The widths: columns of the coarsest level that fits, otherwise pulses, and bars between. */
function paintData(place, lane) {
  const level = [...lane.pyramid].reverse().find((each) => each.bucket_s <= place.s_per_px);
  place.pen.strokeStyle = INK;
  place.pen.fillStyle = INK;
  place.pen.lineJoin = "bevel";
  place.pen.lineWidth = 1.3;
  if (level) {
    paintColumns(place, columnsOf(place, level.low_us, level.high_us, level.marks, bucketTimes(level)));
    return;
  }
  paintBars(place, lane);
  const first = Math.max(0, placeOf(lane.rise_s, view.from_s) - 1);
  const last = Math.min(lane.rise_s.length, placeOf(lane.rise_s, view.to_s) + 1);
  if (last - first > 3 * (place.right - place.left)) {
    const times = { first, last, at: (row) => lane.rise_s[row] };
    paintColumns(place, columnsOf(place, lane.width_us, lane.width_us, lane.marks, times));
  } else paintPoints(place, lane, first, last);
}

function bucketTimes(level) {
  const place = (time_s) => Math.floor((time_s - recording.start_s) / level.bucket_s);
  return {
    first: Math.max(0, place(view.from_s)),
    last: Math.min(level.marks.length, place(view.to_s) + 1),
    at: (row) => recording.start_s + (row + 0.5) * level.bucket_s,
  };
}

/** The least and the greatest of each column of pixels, in order; empty columns are left out. */
function columnsOf(place, low_us, high_us, marks, times) {
  const columns = [];
  let current = null;
  for (let row = times.first; row < times.last; row += 1) {
    if (!(marks[row] & MEASURED)) continue;
    const x = Math.floor(place.x(times.at(row)));
    if (!current || current.x !== x) {
      current = { x, low_us: low_us[row], high_us: high_us[row] };
      columns.push(current);
    }
    current.low_us = Math.min(current.low_us, low_us[row]);
    current.high_us = Math.max(current.high_us, high_us[row]);
  }
  return columns;
}

function paintColumns(place, columns) {
  const { pen } = place;
  pen.beginPath();
  columns.forEach((column, i) => {
    const x = column.x + 0.5;
    const low = place.y(column.low_us), high = place.y(column.high_us);
    if (i && column.x - columns[i - 1].x <= 2) pen.lineTo(x, low + 0.6);
    else pen.moveTo(x, low + 0.6);
    pen.lineTo(x, high - 0.6);
  });
  pen.stroke();
}

/** A bar from the least to the greatest width for each stretch whose pulses are not kept. */
function paintBars(place, lane) {
  const level = lane.pyramid[0];
  const times = bucketTimes(level);
  for (let row = times.first; row < times.last; row += 1) {
    const start_s = recording.start_s + row * level.bucket_s;
    const end_s = Math.min(recording.end_s, start_s + level.bucket_s);
    if (!(level.marks[row] & MEASURED) || isKept(start_s, end_s)) continue;
    const from = place.x(start_s), high = place.y(level.high_us[row]);
    const tall = place.y(level.low_us[row]) - high;
    place.pen.lineWidth = 1;
    place.pen.strokeRect(from + 0.5, high - 1, Math.max(1, place.x(end_s) - from - 1), tall + 2);
  }
}

function paintPoints(place, lane, first, last) {
  const { pen } = place;
  const apart = (place.right - place.left) / Math.max(1, last - first);
  const size = apart > 12 ? 5 : apart > 4 ? 3 : 1.3;
  let before = -1;
  pen.lineWidth = 1.3;
  pen.beginPath();
  for (let row = first; row < last; row += 1) {
    if (!(lane.marks[row] & MEASURED)) continue;
    const x = place.x(lane.rise_s[row]), y = place.y(lane.width_us[row]);
    const isJoined = before >= 0 && lane.rise_s[row] - lane.rise_s[before] <= lane.quiet_s;
    if (isJoined) pen.lineTo(x, y);
    else pen.moveTo(x, y);
    if (apart > 4 || !isJoined) pen.fillRect(x - size / 2, y - size / 2, size, size);
    before = row;
  }
  pen.stroke();
}
