// Our own small drawings, 24 x 24, drawn with the current colour.
const paths: Record<string, string> = {
  look: 'M4 12c3-5 13-5 16 0c-3 5-13 5-16 0zM12 9.5a2.5 2.5 0 1 0 .01 0',
  distance: 'M5 17L19 7M5 13.5v7M1.5 17h7M19 3.5v7M15.5 7h7',
  ellipse: 'M12 6c5.5 0 9 2.6 9 6s-3.5 6-9 6s-9-2.6-9-6s3.5-6 9-6zM3 12h18',
  'ellipse-points': 'M12 6c5.5 0 9 2.6 9 6s-3.5 6-9 6s-9-2.6-9-6s3.5-6 9-6zM11 5h2v2h-2zM11 17h2v2h-2zM2 11h2v2H2zM20 11h2v2h-2zM5 7h2v2H5z',
  outline: 'M6 17c-4-4-2-10 3-11c4-1 5 2 8 2c4 1 4 7 1 9c-4 3-9 3-12 0z',
  angle: 'M20 19H5L17 6M11 19a7 7 0 0 0-2-4.5',
  interval: 'M6 4v16M18 4v16M6 12h12M9 9l-3 3l3 3M15 9l3 3l-3 3',
  point: 'M3 19c3 0 3-12 5-12s2 7 4 8s3 1 4-6s3-3 5-3M8 3v3M6.5 4.5h3',
  trace: 'M2 18c2 0 2-12 4-12c3 0 3 9 6 10c2 0 2-10 4-10c3 0 3 8 6 10',
  pocket: 'M12 3v18M3 12h18M7.5 5v5M6 5h3M6 10h3M16.5 5v5M15 5h3M15 10h3M7.5 14v5M6 14h3M6 19h3M16.5 14v5M15 14h3M15 19h3',
  arrow: 'M4 20L19 5M10 4.5h9.5V14',
  text: 'M5 6V4h14v2M12 4v16M9 20h6',
  body: 'M12 2c-5 0-8 4-8 10s3 10 8 10s8-4 8-10s-3-10-8-10zM12 8v8M9 8h6',
  one: 'M3 5h18v14H3z', two: 'M3 5h8v14H3zM13 5h8v14h-8z', four: 'M3 4h8v7H3zM13 4h8v7h-8zM3 13h8v7H3zM13 13h8v7h-8z',
  snap: 'M4 20c8 0 14-6 16-16M9 5l3 6M12 11l1-4M12 11l-4-1',
  clicks: 'M9 9l10 4l-4.5 1.5L13 19zM7 2v3M2 7h3M3.5 3.5l2 2',
  magnifier: 'M10 4a6 6 0 1 0 .01 0M14.5 14.5L21 21M7 10h6M10 7v6',
  filters: 'M4 6h16M4 12h16M4 18h16M8 4v4M16 10v4M10 16v4',
  invert: 'M12 3a9 9 0 1 0 .01 0zM12 3v18M12 6h5M12 9h8M12 12h9M12 15h8M12 18h5',
  plus: 'M12 5v14M5 12h14', minus: 'M5 12h14', whole: 'M4 9V4h5M15 4h5v5M20 15v5h-5M9 20H4v-5',
  play: 'M7 4l13 8l-13 8z', pause: 'M7 4h3v16H7zM14 4h3v16h-3z', back: 'M15 5l-8 7l8 7M4.5 5v14', on: 'M9 5l8 7l-8 7M19.5 5v14',
  undo: 'M8 5L3 10l5 5M3 10h11a6 6 0 0 1 0 11h-3', redo: 'M16 5l5 5l-5 5M21 10H10a6 6 0 0 0 0 11h3',
  clip: 'M4 5h16v14H4zM4 9h16M8 5v4M14 5v4M10 12l5 2.5l-5 2.5z', film: 'M4 5h16v14H4z',
  menu: 'M4 6h16M4 12h16M4 18h16', help: 'M8.5 9a3.5 3.5 0 1 1 5 3.2c-1.5.8-1.5 1.3-1.5 2.8M12 18.5v.5',
};

export function Icon({ name }: { name: string }) {
  return <svg class="icon" viewBox="0 0 24 24" aria-hidden="true"><path d={paths[name] ?? paths['film']!} /></svg>;
}

/** The state of a row: each has its own shape, so that colour is never the only sign. */
export function StateSign({ state }: { state: string }) {
  const label = { missing: 'missing', proposed: 'proposed, not yet accepted', accepted: 'accepted', disputed: 'disputed', derived: 'calculated', refused: 'no value can be given' }[state] ?? state;
  const d: Record<string, string> = {
    missing: 'M12 4a8 8 0 1 0 .01 0', proposed: 'M12 4a8 8 0 1 0 .01 0M9.5 10a2.6 2.6 0 1 1 3.6 2.4c-1 .5-1.1.9-1.1 1.8M12 16.4v.3',
    accepted: 'M5 12.5l4.5 4.5L19 7', disputed: 'M12 4L21 20H3zM12 10v5M12 17.3v.4', derived: 'M7 9h10M7 15h10', refused: 'M12 4a8 8 0 1 0 .01 0M6.5 6.5l11 11',
  };
  return <svg class={`state ${state}`} viewBox="0 0 24 24" role="img" aria-label={label}><title>{label}</title><path d={d[state] ?? d['missing']!} /></svg>;
}

/** The program's mark: the curve it is named for. */
export function Curve() {
  return <svg class="curve" viewBox="0 0 40 24" aria-hidden="true"><path d="M2 21C16 21 17 3 38 3" /><path class="thin" d="M2 21H38" /></svg>;
}
