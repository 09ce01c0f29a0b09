// A small DICOM writer of the tests' own (PS3.10, explicit VR little endian), so that odd and damaged pictures can be made
// that no sound program writes.
import { writeFileSync } from 'node:fs';

const long = new Set(['OB', 'OW', 'SQ', 'UN', 'UT']);
function even(b, pad) { return b.length % 2 ? Buffer.concat([b, Buffer.from([pad])]) : b; }

function value(vr, v) {
  if (Buffer.isBuffer(v)) return even(v, 0);
  const list = Array.isArray(v) ? v : [v];
  const bytes = (n, put) => { const b = Buffer.alloc(n * list.length); list.forEach((x, i) => put(b, x, i * n)); return b; };
  if (vr === 'US') return bytes(2, (b, x, i) => b.writeUInt16LE(x, i));
  if (vr === 'UL') return bytes(4, (b, x, i) => b.writeUInt32LE(x, i));
  if (vr === 'SL') return bytes(4, (b, x, i) => b.writeInt32LE(x, i));
  if (vr === 'FD') return bytes(8, (b, x, i) => b.writeDoubleLE(x, i));
  if (vr === 'AT') return bytes(4, (b, x, i) => { b.writeUInt16LE(x >>> 16, i); b.writeUInt16LE(x & 0xffff, i + 2); });
  return even(Buffer.from(list.join('\\'), 'latin1'), vr === 'UI' ? 0 : 32);
}

export function element(tag, vr, v) {
  const body = value(vr, v);
  const head = Buffer.alloc(long.has(vr) ? 12 : 8);
  head.writeUInt16LE(tag >>> 16, 0);
  head.writeUInt16LE(tag & 0xffff, 2);
  head.write(vr, 4, 'latin1');
  if (long.has(vr)) head.writeUInt32LE(body.length, 8);
  else head.writeUInt16LE(body.length, 6);
  return Buffer.concat([head, body]);
}

export function item(elements) {
  const body = Buffer.concat(elements);
  const head = Buffer.alloc(8);
  head.writeUInt16LE(0xfffe, 0);
  head.writeUInt16LE(0xe000, 2);
  head.writeUInt32LE(body.length, 4);
  return Buffer.concat([head, body]);
}

/** One region of the ultrasound calibration (PS3.3 C.8.5.5). */
/** component: {unit, type, low, high}, a line over the range 0 to 255 of pixel values. */
export function region({ box, delta, format = 1, type = 1, units = [3, 3], reference, component }) {
  const e = [element(0x00186012, 'US', format), element(0x00186014, 'US', type), element(0x00186016, 'UL', 2),
    element(0x00186018, 'UL', box[0]), element(0x0018601a, 'UL', box[1]), element(0x0018601c, 'UL', box[2]), element(0x0018601e, 'UL', box[3])];
  if (reference) e.push(element(0x00186020, 'SL', reference[0]), element(0x00186022, 'SL', reference[1]));
  e.push(element(0x00186024, 'US', units[0]), element(0x00186026, 'US', units[1]));
  if (reference) e.push(element(0x00186028, 'FD', 0), element(0x0018602a, 'FD', 0));
  e.push(element(0x0018602c, 'FD', delta[0]), element(0x0018602e, 'FD', delta[1]));
  if (component) e.push(element(0x00186044, 'US', 1), element(0x00186048, 'UL', 0), element(0x0018604a, 'UL', 255), element(0x0018604c, 'US', component.unit),
    element(0x0018604e, 'US', component.type), element(0x00186050, 'UL', 2), element(0x00186052, 'UL', [0, 255]), element(0x00186054, 'FD', [component.low, component.high]));
  return item(e);
}

let serial = 1;
export const uid = () => `2.25.${Date.now()}${process.pid}${serial++}`;

/** Writes an ultrasound picture or clip. pixels: one buffer of all frames, or `jpeg`: a buffer for each frame. */
export function picture(path, { study, columns, rows, frames = 1, pixels, jpeg, samples = 1, planar = 0, photometric, frameMs, times, regions = [],
  patient = ['TEST-1', 'Sand^Ida'], date = '20260410', lmp = '20251117', station }) {
  const instance = uid();
  const clip = frames > 1;
  const sop = clip ? '1.2.840.10008.5.1.4.1.1.3.1' : '1.2.840.10008.5.1.4.1.1.6.1';
  const syntax = jpeg ? '1.2.840.10008.1.2.4.50' : '1.2.840.10008.1.2.1';
  const meta = Buffer.concat([element(0x00020001, 'OB', Buffer.from([0, 1])), element(0x00020002, 'UI', sop), element(0x00020003, 'UI', instance),
    element(0x00020010, 'UI', syntax), element(0x00020012, 'UI', '2.25.1')]);
  const d = [element(0x00080008, 'CS', ['ORIGINAL', 'PRIMARY']), element(0x00080016, 'UI', sop), element(0x00080018, 'UI', instance), element(0x00080020, 'DA', date),
    element(0x00080030, 'TM', '101500'), element(0x00080060, 'CS', 'US'), element(0x00100010, 'PN', patient[1]), element(0x00100020, 'LO', patient[0])];
  if (station) d.splice(6, 0, element(0x00081010, 'SH', station));
  if (lmp) d.push(element(0x001021d0, 'DA', lmp));
  if (frameMs !== undefined) d.push(element(0x00181063, 'DS', String(frameMs)));
  if (times) d.push(element(0x00181065, 'DS', times.map(String)));
  if (regions.length) d.push(element(0x00186011, 'SQ', Buffer.concat(regions)));
  d.push(element(0x0020000d, 'UI', study), element(0x0020000e, 'UI', `${study}.1`), element(0x00200013, 'IS', String(serial)));
  d.push(element(0x00280002, 'US', samples), element(0x00280004, 'CS', photometric ?? (samples === 3 ? (jpeg ? 'YBR_FULL_422' : 'RGB') : 'MONOCHROME2')));
  if (samples === 3) d.push(element(0x00280006, 'US', planar));
  if (clip) d.push(element(0x00280008, 'IS', String(frames)));
  if (frameMs !== undefined) d.push(element(0x00280009, 'AT', 0x00181063));
  else if (times) d.push(element(0x00280009, 'AT', 0x00181065));
  d.push(element(0x00280010, 'US', rows), element(0x00280011, 'US', columns), element(0x00280100, 'US', 8), element(0x00280101, 'US', 8),
    element(0x00280102, 'US', 7), element(0x00280103, 'US', 0));
  if (jpeg) {
    const parts = [item([])];
    for (const j of jpeg) parts.push(item([even(j, 0)]));
    const end = Buffer.from([0xfe, 0xff, 0xdd, 0xe0, 0, 0, 0, 0]);
    const head = Buffer.from([0xe0, 0x7f, 0x10, 0x00, 0x4f, 0x42, 0, 0, 0xff, 0xff, 0xff, 0xff]); // (7FE0,0010) OB, undefined length
    d.push(Buffer.concat([head, ...parts, end]));
  } else {
    d.push(element(0x7fe00010, samples === 3 ? 'OB' : 'OW', pixels));
  }
  writeFileSync(path, Buffer.concat([Buffer.alloc(128), Buffer.from('DICM'), element(0x00020000, 'UL', meta.length), meta, ...d]));
  return instance;
}
