import assert from 'node:assert/strict';
import { test } from 'node:test';
import { nodes, partsIn, pick, pickGap, placeAt, placesIn, runningAt, stretchOf, valueAt, withSurroundings, wrapped } from '../../assets/stretch.js';

const s = Array.from({ length: 101 }, (_, i) => i * 10); // A lap of 1000 m, the last node is the line again.
const L = 1000;

test('a stretch that ends before it starts runs over the line', () => {
  assert.deepEqual(stretchOf({ from_m: 900, to_m: 50 }, L), { from: 900, to: 1050 });
  assert.deepEqual(stretchOf({ from_m: 50, to_m: 900 }, L), { from: 50, to: 900 });
});

test('the surroundings are at least 40 m on each side, a third of a long stretch, never more than a lap', () => {
  assert.deepEqual(withSurroundings({ from: 100, to: 130 }, L), { from: 60, to: 170 });
  assert.deepEqual(withSurroundings({ from: 0, to: 300 }, L), { from: -100, to: 400 });
  assert.deepEqual(withSurroundings({ from: 20, to: 1000 }, L), { from: 10, to: 1010 });
  assert.deepEqual(withSurroundings({ from: 0, to: 1000 }, L), { from: 0, to: 1000 });
});

test('nodes run over the line once, in order, each in its lap', () => {
  const picked = nodes(s, { from: 975, to: 1025 });
  assert.deepEqual(picked.u, [980, 990, 1000, 1010, 1020]);
  assert.deepEqual(picked.index, [98, 99, 100, 1, 2]);
  assert.deepEqual(picked.lap, [0, 0, 0, 1, 1]);
  const before = nodes(s, { from: -20, to: 10 });
  assert.deepEqual(before.u, [-20, -10, 0, 10]);
  assert.deepEqual(before.lap, [-1, -1, -1, 0]);
  assert.equal(nodes(s, { from: 0, to: L }).u.length, 101);
});

test('the running gap is continuous over the line', () => {
  const gap = s.map((d) => (0.5 * d) / L); // Half a second is lost evenly over the lap.
  for (const window of [{ from: 950, to: 1050 }, { from: -50, to: 50 }]) {
    const picked = nodes(s, window);
    const values = pickGap(gap, picked);
    values.forEach((v, i) => assert.ok(Math.abs(v - (0.5 * picked.u[i]) / L) < 1e-12, `${picked.u[i]}: ${v}`));
  }
});

test('missing values and missing columns stay missing', () => {
  const column = s.map((d) => (d === 20 ? null : d));
  assert.deepEqual(pick(column, { index: [1, 2, 3] }), [10, null, 30]);
  assert.equal(pick(null, { index: [1] }), null);
  assert.equal(valueAt(s, column, 15), null);
  assert.equal(valueAt(s, null, 15), null);
});

test('values between nodes are linear, at nodes exact, beyond the ends the last', () => {
  const column = s.map((d) => 3 * d + 1);
  for (const at of [0, 10, 12.5, 999, 1000]) assert.ok(Math.abs(valueAt(s, column, at) - (3 * at + 1)) < 1e-9, `${at}`);
  assert.equal(valueAt(s, column, -5), 1);
  assert.equal(valueAt(s, column, 1005), 3001);
});

test('a place of the track is found wherever the window unrolls it', () => {
  assert.deepEqual(placesIn(20, { from: 900, to: 1100 }, L), [1020]);
  assert.deepEqual(placesIn(980, { from: -50, to: 50 }, L), [-20]);
  assert.deepEqual(placesIn(500, { from: 0, to: 100 }, L), []);
  assert.deepEqual(placesIn(0, { from: 0, to: L }, L), [0, L]);
  assert.equal(wrapped(-20, L), 980);
  assert.equal(wrapped(1020, L), 20);
});

test('the line at the end of a lap belongs to that lap', () => {
  assert.deepEqual(placeAt(0, L), { s: 0, lap: 0 });
  assert.deepEqual(placeAt(L, L), { s: L, lap: 0 });
  assert.deepEqual(placeAt(1250, L), { s: 250, lap: 1 });
  assert.deepEqual(placeAt(-30, L), { s: 970, lap: -1 });
  const time = s.map((d) => d / 50); // 20 s a lap.
  for (const u of [-30, 0, 12.5, 999, 1000, 1001, 1250]) assert.ok(Math.abs(runningAt(s, time, u) - u / 50) < 1e-9, `${u}`);
});

test('a stretch over the line is two parts of the whole lap, and one of its own window', () => {
  const stretch = { from: 900, to: 1050 };
  assert.deepEqual(partsIn(stretch, { from: 0, to: L }, L), [{ from: 0, to: 50 }, { from: 900, to: 1000 }]);
  assert.deepEqual(partsIn(stretch, { from: 850, to: 1100 }, L), [{ from: 900, to: 1050 }]);
});
