// Pictures for the documentation kept small: 256 colours, by Pillow. Half of them are those that most of the picture needs, half
// those that lie furthest apart, so that thin lines and small signs keep their colour.
import { execFileSync } from 'node:child_process';
import { existsSync } from 'node:fs';

const python = existsSync('/usr/bin/python3') ? '/usr/bin/python3' : 'python3'; // the system's has the packages
const program = `
import io, sys
from PIL import Image
picture = Image.open(io.BytesIO(sys.stdin.buffer.read())).convert("RGB")
both = Image.new("P", (1, 1))
both.putpalette(sum((picture.quantize(128, method).getpalette()[:384] for method in (Image.Quantize.MEDIANCUT, Image.Quantize.MAXCOVERAGE)), []))
picture.quantize(palette=both, dither=Image.Dither.NONE).save(sys.stdout.buffer, "PNG", optimize=True)
`;

/** The bytes of a PNG file with 256 colours at most. */
export const fewColours = (png) => execFileSync(python, ['-c', program], { input: png, maxBuffer: 64 << 20 });
