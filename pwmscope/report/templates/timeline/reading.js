/** What is at the chosen instant on the chosen line, as a sentence. */
function reading() {
  const lane = lanes[view.lane];
  return `${lane.name}, ${readingOf(lane)}${lossWords(lane)}.`;
}

function readingOf(lane) {
  const px_s = (view.to_s - view.from_s) / 1000;
  const level = [...lane.pyramid].reverse().find((each) => each.bucket_s <= px_s);
  if (level) return bucketWords(lane, level);
  if (!isKept(view.at_s, view.at_s)) return bucketWords(lane, lane.pyramid[0]);
  const first = placeOf(lane.rise_s, view.at_s - px_s);
  const last = placeOf(lane.rise_s, view.at_s + px_s);
  if (last - first < 2) return pulseWords(lane, pulseAt(lane, view.at_s));
  const sum = summed(lane.width_us, lane.width_us, lane.marks, first, last);
  return spanWords(lane, view.at_s - px_s, view.at_s + px_s, sum);
}

function bucketWords(lane, level) {
  const row = Math.min(
    level.marks.length - 1,
    Math.floor((view.at_s - recording.start_s) / level.bucket_s),
  );
  const start_s = recording.start_s + row * level.bucket_s;
  const sum = summed(level.low_us, level.high_us, level.marks, row, row + 1);
  return spanWords(lane, start_s, Math.min(recording.end_s, start_s + level.bucket_s), sum);
}

function spanWords(lane, from_s, to_s, sum) {
  const decimals = Math.min(7, Math.max(0, decimalsOf(to_s - from_s) + 1));
  const when = `${from_s.toFixed(decimals)} to ${to_s.toFixed(decimals)} s`;
  const odd = lane.kinds.filter((kind) => sum.marks & kind.bit).map((kind) => `, ${kind.word}`).join("");
  if (!(sum.marks & MEASURED)) return `${when}: no measured pulse begins here${odd}`;
  const [low, high] = [sum.low_us, sum.high_us].map((us) => us.toFixed(lane.decimals));
  return `${when}: pulse widths from ${low} to ${high} us${odd}`;
}

function pulseWords(lane, row) {
  if (row < 0) return `${view.at_s.toFixed(timeDecimals())} s: no pulse`;
  const when = `pulse that begins at ${lane.rise_s[row].toFixed(6)} s`;
  const kind = lane.kinds.find((each) => lane.marks[row] & each.bit);
  const width = `width ${saidWidth(lane, row)}`;
  if (!kind) return `${when}: ${width}`;
  return kind.bit === 1 ? `${when}: ${kind.word}, ${width} seen` : `${when}: ${kind.word}, ${width}`;
}

function lossWords(lane) {
  const loss = lane.losses.find((each) => each.start_s <= view.at_s && view.at_s < each.end_s);
  return loss ? `; signal lost, ${loss.words}` : "";
}

function shownWords() {
  const decimals = timeDecimals();
  const [from, to] = [view.from_s, view.to_s].map((time_s) => time_s.toFixed(decimals));
  const spans = [view.to_s - view.from_s, recording.end_s - recording.start_s].map(saidSpan);
  const finest_s = lanes[0].pyramid[0].bucket_s;
  const isCoarse = finest_s > (view.to_s - view.from_s) / 1000 && !isKept(view.from_s, view.to_s);
  const coarse = ` Not every pulse here is in this page; a bar is the least to the greatest width of ${finest_s} s.`;
  return `Shown: ${from} to ${to} s, ${spans[0]} of ${spans[1]}.${isCoarse ? coarse : ""}`;
}

function saidSpan(span_s) {
  if (span_s >= 1) return `${Number(span_s.toPrecision(4))} s`;
  return span_s >= 1e-3 ? `${Number((span_s * 1e3).toPrecision(4))} ms` : `${Number((span_s * 1e6).toPrecision(4))} us`;
}
