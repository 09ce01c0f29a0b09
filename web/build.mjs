// Bundles the front end: node build.mjs OUTDIR. Run by the build; esbuild comes from web/node_modules (scripts/setup).
import { build } from 'esbuild';
import { copyFileSync, mkdirSync } from 'node:fs';
import { dirname, join } from 'node:path';
import { fileURLToPath } from 'node:url';

const here = dirname(fileURLToPath(import.meta.url));
const out = process.argv[2] ?? join(here, 'dist');
mkdirSync(out, { recursive: true });
await build({
  entryPoints: { app: join(here, 'src/main.tsx') },
  outdir: out,
  bundle: true,
  minify: true,
  format: 'esm',
  target: 'es2022',
  jsx: 'automatic',
  jsxImportSource: 'preact',
  logLevel: 'warning',
  legalComments: 'eof',
});
copyFileSync(join(here, 'index.html'), join(out, 'index.html'));
