// Text and body marks: asked for in words, then placed as data.
import { ask } from '../ui/dialog';
import type { Point } from '../model/types';
import type { Cell } from './cell';
import { addMark, bodyMarks } from './marks';
import { tool } from './tools';

export async function placeMark(cell: Cell, p: Point): Promise<void> {
  const object = cell.object.value;
  const frame = cell.frame.value;
  if (tool.value === 'text') {
    const text = await ask({ title: 'Text on the picture', field: { label: 'Text', required: true }, yes: 'Place it', no: 'Leave it' });
    if (text) await addMark({ object, frame, kind: 'text', data: { points: [p], text } });
    return;
  }
  const names = Object.values(bodyMarks).map((b) => b.name);
  const name = await ask({ title: 'Body mark', field: { label: 'Which', choices: names, value: names[0], required: true }, yes: 'Place it', no: 'Leave it' });
  const id = Object.keys(bodyMarks).find((k) => bodyMarks[k]!.name === name);
  if (id) await addMark({ object, frame, kind: 'body', data: { points: [p], body: id } });
}
