const MEASURED = 128;
const KINDS = [
  { bit: 2, row: "× glitch", word: "glitch" },
  { bit: 4, row: "+ notch", word: "pulse with a notch" },
  { bit: 8, row: "◇ odd width", word: "no servo pulse" },
  { bit: 1, row: "| cut", word: "pulse cut by the recording's start or end" },
];
const STRAY = KINDS.reduce((bits, kind) => bits | kind.bit, 0);

async function inflate(text) {
  const bytes = Uint8Array.from(atob(text), (letter) => letter.charCodeAt(0));
  const whole = new Blob([bytes]).stream().pipeThrough(new DecompressionStream("deflate"));
  return new Uint8Array(await new Response(whole).arrayBuffer());
}

async function unpack(packed) {
  const lanes = await inflate(packed.text);
  const values = new Float64Array(packed.count);
  const steps = packed.count - 1;
  if (packed.count) values[0] = packed.first;
  for (let i = 0; i < steps; i += 1) {
    let folded = 0;
    for (let plane = packed.planes - 1; plane >= 0; plane -= 1) {
      folded = folded * 256 + lanes[plane * steps + i];
    }
    const off = folded % 2 ? -(folded + 1) / 2 : folded / 2;
    values[i + 1] = values[i] + packed.step + off;
  }
  return values;
}

async function laneOf(told) {
  const perUs = told.unit_ps / 1e6;
  const us = async (packed) => (await unpack(packed)).map((count) => count * perUs);
  const rise = await unpack(told.pulses.rise);
  const pyramid = await Promise.all(told.pyramid.map(async (level) => ({
    bucket_s: level.bucket_s,
    low_us: await us(level.low),
    high_us: await us(level.high),
    marks: Uint8Array.from(await unpack(level.marks)),
  })));
  const seen = pyramid[pyramid.length - 1].marks.reduce((bits, mark) => bits | mark, 0);
  return {
    ...told,
    pyramid,
    rise_s: rise.map((count) => (told.origin_ps + count * told.unit_ps) / 1e12),
    width_us: await us(told.pulses.width),
    marks: Uint8Array.from(await unpack(told.pulses.marks)),
    kinds: KINDS.filter((kind) => seen & kind.bit),
  };
}

/** The first place in an ordered array whose value is not less than the one given. */
function placeOf(values, value) {
  let low = 0;
  let high = values.length;
  while (low < high) {
    const middle = (low + high) >> 1;
    if (values[middle] < value) low = middle + 1;
    else high = middle;
  }
  return low;
}

/** Whether every pulse from one instant to another is in the page. */
function isKept(from_s, to_s) {
  return recording.kept_s.some(([start, end]) => start <= from_s && to_s <= end);
}

/** The pulse at an instant, or the nearest; -1 where the line was quiet or pulses are not kept. */
function pulseAt(lane, time_s) {
  let row = placeOf(lane.rise_s, time_s);
  const before = row - 1;
  const isInside = before >= 0 && time_s < lane.rise_s[before] + lane.width_us[before] / 1e6;
  if (row === lane.rise_s.length || isInside) row = before;
  else if (before >= 0 && time_s - lane.rise_s[before] < lane.rise_s[row] - time_s) row = before;
  if (row < 0 || (!isInside && Math.abs(lane.rise_s[row] - time_s) > lane.quiet_s)) return -1;
  return row;
}

/** The least and greatest width and all marks of some rows or buckets. */
function summed(low_us, high_us, marks, first, last) {
  const sum = { low_us: Infinity, high_us: -Infinity, marks: 0 };
  for (let i = first; i < last; i += 1) {
    sum.marks |= marks[i];
    if (!(marks[i] & MEASURED)) continue;
    if (low_us[i] < sum.low_us) sum.low_us = low_us[i];
    if (high_us[i] > sum.high_us) sum.high_us = high_us[i];
  }
  return sum;
}
