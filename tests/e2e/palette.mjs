// Pictures for the documentation kept small: 256 colours by median cut (Heckbert 1982), written as a palette PNG.
import { deflateSync } from 'node:zlib';
import { readPng } from './png.mjs';

/** Boxes of colours [r, g, b, count], halved by weight along their longest side until there are `most`. */
function boxesOf(colours, most) {
  const measure = (list) => {
    let weight = 0;
    const low = [255, 255, 255];
    const high = [0, 0, 0];
    for (const c of list) {
      weight += c[3];
      for (let k = 0; k < 3; k++) { low[k] = Math.min(low[k], c[k]); high[k] = Math.max(high[k], c[k]); }
    }
    const sides = high.map((h, k) => h - low[k]);
    const side = sides.indexOf(Math.max(...sides));
    return { list, side, weight, worth: sides[side] ** 2 * Math.sqrt(weight) };
  };
  const boxes = [measure(colours)];
  while (boxes.length < most) {
    let at = 0;
    boxes.forEach((b, i) => { if (b.worth > boxes[at].worth) at = i; });
    const box = boxes[at];
    if (!box.worth) break;
    const list = [...box.list].sort((a, b) => a[box.side] - b[box.side]);
    let cut = 1;
    for (let sum = list[0][3]; cut < list.length - 1 && sum + list[cut][3] <= box.weight / 2; cut++) sum += list[cut][3];
    boxes.splice(at, 1, measure(list.slice(0, cut)), measure(list.slice(cut)));
  }
  return boxes;
}

const table = Int32Array.from({ length: 256 }, (_, n) => { let c = n; for (let k = 0; k < 8; k++) c = c & 1 ? 0xedb88320 ^ (c >>> 1) : c >>> 1; return c; });
function chunk(kind, body) {
  const out = Buffer.alloc(body.length + 12);
  out.writeUInt32BE(body.length, 0);
  out.write(kind, 4, 'latin1');
  body.copy(out, 8);
  let c = -1;
  for (const b of out.subarray(4, body.length + 8)) c = table[(c ^ b) & 255] ^ (c >>> 8);
  out.writeUInt32BE((c ^ -1) >>> 0, body.length + 8);
  return out;
}

/** The bytes of a PNG file (8 bit, grey or RGB) with 256 colours at most. */
export function fewColours(png) {
  const { width, height, samples, pixels } = readPng(png);
  const key = (at) => (samples === 1 ? pixels[at] * 0x10101 : (pixels[at] << 16) | (pixels[at + 1] << 8) | pixels[at + 2]);
  const counts = new Map();
  for (let at = 0; at < pixels.length; at += samples) counts.set(key(at), (counts.get(key(at)) ?? 0) + 1);
  const boxes = boxesOf([...counts].map(([k, n]) => [k >> 16, (k >> 8) & 255, k & 255, n]), 256);
  const palette = Buffer.alloc(3 * boxes.length);
  const index = new Map();
  boxes.forEach(({ list, weight }, i) => {
    for (let k = 0; k < 3; k++) palette[3 * i + k] = Math.round(list.reduce((s, c) => s + c[k] * c[3], 0) / weight);
    for (const [r, g, b] of list) index.set((r << 16) | (g << 8) | b, i);
  });
  const raw = Buffer.alloc((width + 1) * height);
  for (let y = 0; y < height; y++)
    for (let x = 0; x < width; x++) raw[y * (width + 1) + 1 + x] = index.get(key((y * width + x) * samples));
  const head = Buffer.alloc(13);
  head.writeUInt32BE(width, 0);
  head.writeUInt32BE(height, 4);
  head.set([8, 3], 8);
  return Buffer.concat([Buffer.from('\x89PNG\r\n\x1a\n', 'latin1'), chunk('IHDR', head), chunk('PLTE', palette), chunk('IDAT', deflateSync(raw, { level: 9 })), chunk('IEND', Buffer.alloc(0))]);
}
