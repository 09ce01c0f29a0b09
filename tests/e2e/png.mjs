// A reader of the plain PNG files that the program writes (8 bit, grey or RGB, no interlace), for tests that need pixels.
import { readFileSync } from 'node:fs';
import { inflateSync } from 'node:zlib';

export function readPng(path) {
  const file = readFileSync(path);
  const parts = [];
  let head;
  for (let at = 8; at < file.length;) {
    const size = file.readUInt32BE(at);
    const kind = file.toString('latin1', at + 4, at + 8);
    const body = file.subarray(at + 8, at + 8 + size);
    if (kind === 'IHDR') head = body;
    if (kind === 'IDAT') parts.push(body);
    at += 12 + size;
  }
  const width = head.readUInt32BE(0);
  const height = head.readUInt32BE(4);
  const samples = { 0: 1, 2: 3 }[head[9]];
  if (head[8] !== 8 || !samples || head[12]) throw new Error(`${path}: not an 8-bit grey or RGB picture`);
  const raw = inflateSync(Buffer.concat(parts));
  const row = width * samples;
  const pixels = Buffer.alloc(row * height);
  for (let y = 0; y < height; y++)
    for (let x = 0; x < row; x++) {
      const a = x >= samples ? pixels[y * row + x - samples] : 0;
      const b = y ? pixels[(y - 1) * row + x] : 0;
      const c = x >= samples && y ? pixels[(y - 1) * row + x - samples] : 0;
      const p = a + b - c;
      const near = Math.abs(p - a) <= Math.abs(p - b) && Math.abs(p - a) <= Math.abs(p - c) ? a : Math.abs(p - b) <= Math.abs(p - c) ? b : c;
      pixels[y * row + x] = raw[y * (row + 1) + 1 + x] + [0, a, b, (a + b) >> 1, near][raw[y * (row + 1)]];
    }
  return { width, height, samples, pixels };
}
