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
const { keyed, scaleOf } = await import('../../assets/account.js');
const { marksOf, measured } = await import('../../assets/marks.js');
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

test('each entry has its own key, the same for the same ledger', () => {
  const entries = [
    { corner: 'T1', phase: 'mid_corner', cause: null },
    { corner: 'T1', phase: 'mid_corner', cause: null },
    { corner: 'T1', phase: 'mid_corner', cause: 'brake_point' },
    { corner: null, phase: 'straight', cause: null, from_m: 40 },
    { corner: 'T9', phase: 'straight', cause: null, from_m: 0 },
  ];
  assert.deepEqual(keyed(entries).map((e) => e.key), ['T1-mid-corner', 'T1-mid-corner-2', 'T1-mid-corner-brake-point', 'lap-straight', 'line-straight']);
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
    { name: 'Brake point', unit: 'm', lap: '–', reference: '313.3', difference: '–' },
    { name: 'Highest brake', unit: '%', lap: '70', reference: '86', difference: '\u221216' },
  ]);
  assert.deepEqual(measured(null, 'metric'), []);
});
