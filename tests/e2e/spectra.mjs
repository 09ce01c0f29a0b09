// Spectra of the phantom as DICOM pictures of their own, outside its exams.
import { join } from 'node:path';
import { run } from './browser.mjs';
import { picture, region } from './dicom.mjs';
import { readPng } from './png.mjs';

/** Writes NAME.dcm into the folder and gives the phantom's truth, with the picture's `instance`. */
export function phantomSpectrum(folder, name, study, ...options) {
  const png = join(folder, '..', `${name}.png`);
  const truth = JSON.parse(run('phantom', 'spectrum', ...options, '--json', png));
  const { width, height, samples, pixels } = readPng(png);
  const box = truth.box;
  const instance = picture(join(folder, `${name}.dcm`), { study, columns: width, rows: height, samples, pixels, regions: [region({ box, format: 3, type: 3, units: [4, 7],
    delta: [truth.s_per_px, -truth.cm_s_per_px], reference: [0, Math.round(truth.baseline_row) - box[1]] })] });
  return { ...truth, instance };
}
