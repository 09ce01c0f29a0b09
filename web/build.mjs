// Bundles the front end: node build.mjs OUTDIR [DEPFILE]. Run by the build; esbuild comes from web/node_modules
// (scripts/setup). DEPFILE tells the build which sources went in, new files included.
import { build } from 'esbuild';
import { copyFileSync, mkdirSync, writeFileSync } from 'node:fs';
import { dirname, join, resolve } from 'node:path';
import { fileURLToPath } from 'node:url';

const here = dirname(fileURLToPath(import.meta.url));
const out = process.argv[2] ?? join(here, 'dist');
mkdirSync(out, { recursive: true });
const { metafile } = await build({
  entryPoints: { app: join(here, 'src/main.tsx') },
  outdir: out,
  bundle: true,
  metafile: true,
  minify: true,
  format: 'esm',
  target: 'es2022',
  jsx: 'automatic',
  jsxImportSource: 'preact',
  logLevel: 'warning',
  legalComments: 'eof',
});
copyFileSync(join(here, 'index.html'), join(out, 'index.html'));
if (process.argv[3]) {
  const sources = Object.keys(metafile.inputs).filter((f) => !f.includes('node_modules')).map((f) => resolve(f).replaceAll(' ', '\\ '));
  writeFileSync(process.argv[3], `${join(out, 'app.css')}: ${sources.join(' ')}\n`);
}
