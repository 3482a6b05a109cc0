import assert from 'node:assert/strict';
import { register } from 'node:module';
import { test } from 'node:test';

// The page's import map, for Node: the view library asks for `preact` by name.
const preact = new URL('../../assets/vendor/preact.mjs', import.meta.url).href;
register(
  `data:text/javascript,${encodeURIComponent(
    `export const resolve = (name, context, next) => name === 'preact' ? { url: ${JSON.stringify(preact)}, shortCircuit: true } : next(name, context);`,
  )}`,
);
const { account, duration, lapTime, number, show } = await import('../../assets/units.js');
const { bestFor, ledgerAddress, placeWords, stretchName, unbroken } = await import('../../assets/parts.js');
const { keyed, rowsOf, scaleOf } = await import('../../assets/account.js');
const { marksOf, measured, rollsOf, sectionOf } = await import('../../assets/marks.js');
const { certaintyWords, evidenceOf, intervalWords, sumsByCorner, sumsByOwner } = await import('../../assets/causes.js');
const { rangeOf } = await import('../../assets/charts/strip.js');

test('seconds of an account have a sign and three decimals, and zero has no sign', () => {
  assert.equal(account(0.3124), '+0.312');
  assert.equal(account(-0.045), '\u22120.045');
  assert.equal(account(0), '0.000');
  assert.equal(account(-0.0004), '0.000');
  assert.equal(account(12.3456), '+12.346');
});

test('lap times carry over into the minute when they round up', () => {
  assert.equal(lapTime(92.486), '1:32.486');
  assert.equal(lapTime(58.204), '58.204');
  assert.equal(lapTime(59.9996), '1:00.000');
  assert.equal(lapTime(60), '1:00.000');
  assert.equal(lapTime(605.0014), '10:05.001');
  assert.equal(lapTime(null), '–');
  assert.equal(lapTime(NaN), '–');
});

test('display units follow their definitions', () => {
  assert.equal(show(10, 'speed', 'metric'), '36.0\u00a0km/h');
  assert.equal(show(0.44704, 'speed', 'imperial'), '1.0\u00a0mph'); // 1 mph is 0.44704 m/s exactly.
  assert.equal(show(1609.344, 'distance', 'imperial'), '5\u202f280\u00a0ft');
  assert.equal(show(Math.PI, 'angle', 'metric'), '180\u00a0deg');
  assert.equal(show(-Math.PI / 2, 'angle', 'metric', { sign: true, bare: true }), '\u221290');
  assert.equal(show(0.615, 'share', 'imperial', { bare: true }), '62');
  assert.equal(show(null, 'speed', 'metric'), '–');
});

test('long numbers are grouped in threes', () => {
  assert.equal(number(1204, 0), '1\u202f204');
  assert.equal(number(12345.6, 1), '12\u202f345.6');
  assert.equal(number(1155, 1), '1\u202f155.0');
  assert.equal(number(204, 0), '204');
});

test('durations are said in the unit one would say', () => {
  assert.equal(duration(48), '48\u00a0s');
  assert.equal(duration(12 * 60), '12\u00a0min');
  assert.equal(duration(65 * 60 * 2), '2\u00a0h 10\u00a0min');
});

test('numbers stay with their units, words are left alone', () => {
  assert.equal(unbroken('costs 0.350 s up to 80 km/h'), 'costs 0.350\u00a0s up to 80\u00a0km/h');
  assert.equal(unbroken('T5 starts 6 m earlier'), 'T5 starts 6\u00a0m earlier');
  assert.equal(unbroken('in 5 slow corners'), 'in 5 slow corners');
});

test('bars have one scale on both sides of the axis, and all of them fit', () => {
  for (const seconds of [[0.3, 0.1, -0.2], [0.3], [-0.3], [0, 0], [0.001, -5]]) {
    const { axis, perSecond } = scaleOf(seconds);
    assert.ok(axis > 0 && axis < 1);
    for (const s of seconds) assert.ok(Math.abs(s) * perSecond <= (s < 0 ? axis : 1 - axis) + 1e-12, `${seconds}: ${s}`);
  }
});

test('each entry has its own key, the same for the same ledger, and none is shared with a phase', () => {
  const cause = { certainty: 'sure' };
  const entries = [
    { corner: 'T9', phase: 'straight', cause: null, from_m: 0, ...cause },
    { corner: 'T1', phase: 'mid_corner', cause: 'minimum_speed', from_m: 90, ...cause },
    { corner: 'T1', phase: 'mid_corner', cause: 'minimum_speed', from_m: 90, ...cause },
    { corner: 'T1', phase: 'mid_corner', cause: 'unexplained', from_m: 90, ...cause },
    { corner: 'T9', phase: 'straight', cause: 'unexplained', from_m: 900, ...cause },
  ];
  const phases = [
    { corner: 'T9', phase: 'straight', from_m: 0 },
    { corner: 'T1', phase: 'mid_corner', from_m: 90 },
    { corner: 'T9', phase: 'straight', from_m: 900 },
  ];
  const [causeKeys, phaseKeys] = [entries, phases].map((list) => keyed(list).map((e) => e.key));
  assert.deepEqual(causeKeys, ['line-straight-unexplained', 'T1-mid-corner-minimum-speed', 'T1-mid-corner-minimum-speed-2', 'T1-mid-corner-unexplained', 'T9-straight-unexplained']);
  assert.deepEqual(phaseKeys, ['line-straight', 'T1-mid-corner', 'T9-straight']);
});

const made = [
  { key: 'a', order: 0, corner: 'T9', phase: 'straight', from_m: 0, seconds: 0.02, owner: 'unknown' },
  { key: 'b', order: 1, corner: 'T1', phase: 'entry', from_m: 50, seconds: 0.3, owner: 'driver' },
  { key: 'c', order: 2, corner: 'T1', phase: 'exit', from_m: 90, seconds: -0.1, owner: 'car' },
  { key: 'd', order: 3, corner: 'T1', phase: 'exit', from_m: 90, seconds: 0.004, owner: null },
  { key: 'e', order: 4, corner: 'T9', phase: 'exit', from_m: 800, seconds: -0.002, owner: 'rig' },
];

test('level entries fold into one row, alone they stand for themselves', () => {
  const said = (by, unfolded = [], gains = false) => rowsOf(made, by, new Set(unfolded), gains).map((r) => (r.head ? `[${r.corner}]` : r.fold ? `${r.fold} ${r.count} ${r.seconds.toFixed(3)}` : r.entry.key));
  assert.deepEqual(said('time'), ['b', 'a', 'c', 'level 2 0.002']);
  assert.deepEqual(said('time', [], true), ['c', 'a', 'b', 'level 2 0.002']);
  assert.deepEqual(said('time', ['level']), ['b', 'a', 'c', 'level 2 0.002', 'd', 'e']);
  assert.deepEqual(said('track'), ['[]', 'a', '[T1]', 'b', 'c', 'd', '[T9]', 'e']);
});

test('sums per owner and per corner hold every entry once', () => {
  const write = (sums) => sums.map((s) => `${s.name} ${s.seconds.toFixed(3)}`);
  assert.deepEqual(write(sumsByOwner(made)), ['driver 0.300', 'car -0.100', 'rig -0.002', 'not settled 0.024']);
  assert.deepEqual(write(sumsByCorner(made)), ['Line 0.020', 'T1 0.204', 'T9 -0.002']);
});

test('an interval and a certainty are said in words', () => {
  assert.equal(intervalWords({ lo: 0.2841, hi: 0.3291 }), 'between 0.28 and 0.33\u00a0s');
  assert.equal(intervalWords({ lo: -0.0159, hi: -0.0071 }), 'between \u22120.016 and \u22120.007\u00a0s');
  assert.equal(intervalWords(null), '');
  const entry = { cause: 'release', interval: { lo: -0.01, hi: 0.04 } };
  assert.match(certaintyWords({ ...entry, certainty: 'open' }), /may be nothing/);
  assert.match(certaintyWords({ ...entry, interval: { lo: 0.01, hi: 0.04 }, certainty: 'open' }), /channels .* missing/);
  assert.match(certaintyWords({ ...entry, certainty: 'sure' }), /^sure, between/);
});

test('what tells a cause is found in whichever phase of its corner holds it, never before the line', () => {
  const reading = { lap: 100, reference: 110 };
  const ledger = {
    phases: [
      { corner: 'T1', phase: 'straight', from_m: 0, evidence: { throttle_pickup_m: { lap: 1, reference: 2 } } },
      { corner: 'T1', phase: 'entry', from_m: 60, evidence: { brake_release_m: reading } },
      { corner: 'T1', phase: 'exit', from_m: 120, evidence: { throttle_pickup_m: { lap: 130, reference: 125 } } },
    ],
  };
  const entry = { corner: 'T1', phase: 'mid_corner', cause: 'coasting', certainty: 'sure', from_m: 110, to_m: 112, evidence: { coasting_m: { lap: 28, reference: 13 } } };
  const told = { ...entry, evidence: evidenceOf(entry, ledger) };
  assert.deepEqual(told.evidence.brake_release_m, reading);
  assert.deepEqual(rollsOf(told).map((r) => [r.of, r.from, r.to]), [['reference', 110, 125], ['lap', 100, 130]]);
  assert.deepEqual(sectionOf(told, null), { from_m: 100, to_m: 130 });
});

test('a cause in the corner is shown over the corner, a phase over itself', () => {
  const corner = { name: 'T1', turn_in_m: 60, apex_m: 90, exit_m: 130, direction: 'right' };
  const entry = { corner: 'T1', phase: 'mid_corner', cause: 'line_radius', certainty: 'sure', from_m: 95, to_m: 95, evidence: { offset_at_apex_m: { lap: 1.2, reference: 0.1 } } };
  assert.deepEqual(sectionOf(entry, corner), { from_m: 60, to_m: 130 });
  assert.deepEqual(sectionOf({ phase: 'mid_corner', from_m: 95, to_m: 95 }, corner), { from_m: 95, to_m: 95 });
  // Further left is wider in a right-hander, tighter in a left-hander.
  const said = (c) => marksOf(entry, 'metric', { corner: c }).find((m) => m.of === 'lap' && m.channel === 'line').text;
  assert.equal(said(corner), '1.1\u00a0m wider at the apex');
  assert.equal(said({ ...corner, direction: 'left' }), '1.1\u00a0m tighter at the apex');
});

test('marks of a cause are those that tell it', () => {
  const evidence = { brake_onset_m: { lap: 300, reference: 313 }, brake_release_m: { lap: 350, reference: 340 } };
  const of = (cause) => marksOf({ phase: 'entry', cause, certainty: 'sure', to_m: 400, evidence }, 'metric').map((m) => `${m.of} ${m.at_m} ${m.text}`);
  assert.deepEqual(of('release'), ['lap 350 off the brake 10\u00a0m later', 'reference 340 ']);
  assert.deepEqual(of('unexplained'), []);
  const s = [0, 10, 20, 30];
  const comparison = { s_m: s, lap: { brake: [0, 0.7, 0.2, 0.9] }, reference: { brake: [0, 0.4, 0.8, 1] } };
  const effort = marksOf({ cause: 'brake_effort', certainty: 'sure', evidence: {} }, 'metric', { comparison, section: { from: 5, to: 25 } });
  assert.deepEqual(effort.map((m) => [m.at_m, m.text]), [[10, 'at most 70\u00a0%, reference 80\u00a0%'], [20, '']]);
});

test('the best lap is the fastest valid one of circuit and car', () => {
  const lap = (id, lap_time_s, more = {}) => ({ id, lap_time_s, kind: 'timed', valid: true, circuit: 'a', car: 'x', ...more });
  const laps = [lap('1', 63), lap('2', 61, { valid: false }), lap('3', 62), lap('4', 50, { circuit: 'b' }), lap('5', 55, { car: 'y' }), lap('6', null, { kind: 'out' })];
  assert.equal(bestFor(laps, laps[0]).id, '3');
  assert.equal(bestFor(laps, laps[2], { other: true }).id, '1');
  assert.equal(bestFor([laps[1]], laps[1]), null);
});

test('addresses keep the colon of a lap and protect the rest', () => {
  assert.equal(ledgerAddress('evening-two:3'), '#/time/evening-two:3/best');
  assert.equal(ledgerAddress('a/b:1', 'c:2', 'T1-exit'), '#/time/a%2Fb:1/c:2/T1-exit');
});

test('places are said as one says them', () => {
  const ledger = { corners: [{ name: 'T1' }, { name: 'T9' }] };
  assert.equal(placeWords({ corner: 'T9', phase: 'straight', from_m: 900 }, ledger), 'on the straight after T9');
  assert.equal(placeWords({ corner: 'T9', phase: 'straight', from_m: 0 }, ledger), 'between the line and T1');
  assert.equal(placeWords({ corner: 'T2', phase: 'mid_corner', from_m: 200 }, ledger), 'in the middle of T2');
  assert.equal(stretchName({ corner: 'T2', phase: 'mid_corner', from_m: 200 }, ledger), 'T2 mid-corner');
  assert.equal(stretchName({ corner: 'T9', phase: 'straight', from_m: 0 }, ledger), 'Line to T1');
});

test('an axis holds all values, and is never flat', () => {
  const [low, high] = rangeOf([[1, null, 5], [3]], 1, [0]);
  assert.ok(low < 0 && high > 5);
  const [a, b] = rangeOf([[2, 2]], 10);
  assert.ok(b - a >= 10 && a < 2 && b > 2);
  assert.deepEqual(rangeOf([[null]], 4), [0, 4]);
});

test('marks say how this lap differs, in the units shown', () => {
  const entry = {
    phase: 'exit',
    to_m: 480,
    evidence: {
      brake_onset_m: { lap: 300, reference: 313 },
      brake_release_m: { lap: 350, reference: 350.2 },
      throttle_pickup_m: { lap: 420, reference: null },
      full_throttle_m: { lap: null, reference: null },
      turn_in_m: null,
      speed_at_end_mps: { lap: 40, reference: 41 },
    },
  };
  const texts = (system) => marksOf(entry, system).map((m) => `${m.channel} ${m.of} ${m.at_m}: ${m.text}`);
  assert.deepEqual(texts('metric'), [
    'brake lap 300: brake 13\u00a0m earlier',
    'brake reference 313: ',
    'brake lap 350: ',
    'brake reference 350.2: ',
    'throttle lap 420: on the throttle, the reference does not',
    'speed lap 480: leave 3.6\u00a0km/h slower',
    'speed reference 480: ',
  ]);
  assert.equal(texts('imperial')[0], 'brake lap 300: brake 43\u00a0ft earlier');
  assert.deepEqual(marksOf({ phase: 'entry', evidence: null }, 'metric'), []);
});

test('the table of readings leaves out what was not measured, and writes what one lap did not do', () => {
  const rows = measured({ brake_peak: { lap: 0.7, reference: 0.86 }, brake_onset_m: { lap: null, reference: 313.26 }, driven_m: null }, 'metric');
  assert.deepEqual(rows, [
    { name: 'Brake point', tells: false, unit: 'm', lap: '–', reference: '313.3', difference: '–' },
    { name: 'Highest brake', tells: false, unit: '%', lap: '70', reference: '86', difference: '\u221216' },
  ]);
  assert.deepEqual(measured(null, 'metric'), []);
});
