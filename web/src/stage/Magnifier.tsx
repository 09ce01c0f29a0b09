// A round glass beside the pointer: four times larger, without smoothing, with the point in the middle.
import { useEffect, useRef } from 'preact/hooks';
import type { RefObject } from 'preact';
import type { Point } from '../model/types';
import type { Cell } from './cell';
import { paintCovers } from './covers';
import { divided } from './looks';
import { toPicture } from './view';

const SIZE = 180;

export function Magnifier({ cell, at }: { cell: Cell; at: Point; source: RefObject<HTMLCanvasElement> }) {
  const glass = useRef<HTMLCanvasElement>(null);
  useEffect(() => {
    const ctx = glass.current?.getContext('2d');
    const layers = cell.layers();
    const left = layers?.side === 'both' && at[0] < (divided.value ?? 0) * cell.size.value.width;
    const picture = layers?.side === 'stored' || left ? layers?.stored : layers?.filtered; // as under the pointer
    if (!ctx || !picture) return;
    const p = toPicture(cell.view.value, at);
    const scale = Math.max(4, cell.view.value.scale * 3);
    ctx.setTransform(1, 0, 0, 1, 0, 0);
    ctx.fillStyle = '#000';
    ctx.fillRect(0, 0, SIZE, SIZE);
    ctx.imageSmoothingEnabled = false;
    ctx.setTransform(scale, 0, 0, scale, SIZE / 2 - (p[0] + 0.5) * scale, SIZE / 2 - (p[1] + 0.5) * scale);
    ctx.drawImage(picture, 0, 0);
    paintCovers(ctx, cell);
    ctx.setTransform(1, 0, 0, 1, 0.5, 0.5);
    ctx.strokeStyle = '#f0e442';
    ctx.beginPath();
    for (const [x0, y0, x1, y1] of [[SIZE / 2 - 24, SIZE / 2, SIZE / 2 - 4, SIZE / 2], [SIZE / 2 + 4, SIZE / 2, SIZE / 2 + 24, SIZE / 2],
      [SIZE / 2, SIZE / 2 - 24, SIZE / 2, SIZE / 2 - 4], [SIZE / 2, SIZE / 2 + 4, SIZE / 2, SIZE / 2 + 24]] as [number, number, number, number][]) {
      ctx.moveTo(x0, y0);
      ctx.lineTo(x1, y1);
    }
    ctx.stroke();
  });
  const { width } = cell.size.value;
  const left = at[0] + 40 + SIZE > width ? at[0] - 40 - SIZE : at[0] + 40;
  return <canvas ref={glass} class="magnifier" width={SIZE} height={SIZE} aria-hidden="true"
    style={{ left: `${left}px`, top: `${Math.max(4, at[1] - SIZE / 2)}px` }} />;
}
