// What everybody needs who works without a mouse or with tired eyes, on every page: text stands out from what is behind it, as
// rendered (WCAG 2.2, 1.4.3: 4.5 to 1, large text 3 to 1; relative luminance and contrast ratio by its definitions); every control
// has a name (4.1.2); the Tab key reaches every control (2.1.1) and where the focus is can be seen (2.4.7).
import { check, equal, exam, finish, objectsByView, open, serve, until } from './browser.mjs';

/** In the page: visible text whose contrast is too low, as lines that name it. */
function faintText() {
  const parse = (c) => { const [r, g, b, a = 1] = c.match(/[\d.]+/g).map(Number); return { r, g, b, a }; };
  const over = (top, under) => ({ r: top.r * top.a + under.r * (1 - top.a), g: top.g * top.a + under.g * (1 - top.a), b: top.b * top.a + under.b * (1 - top.a), a: 1 });
  const part = (v) => { const s = v / 255; return s <= 0.04045 ? s / 12.92 : ((s + 0.055) / 1.055) ** 2.4; };
  const luminance = (c) => 0.2126 * part(c.r) + 0.7152 * part(c.g) + 0.0722 * part(c.b);
  const behind = (e) => {
    const layers = [];
    for (let at = e; at; at = at.parentElement) {
      const c = parse(getComputedStyle(at).backgroundColor);
      if (c.a > 0) layers.push(c);
      if (c.a === 1) break;
    }
    return layers.reverse().reduce((under, c) => over(c, under), { r: 0, g: 0, b: 0, a: 1 });
  };
  const out = new Set();
  const walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  for (let n = walk.nextNode(); n; n = walk.nextNode()) {
    const e = n.parentElement;
    const words = n.textContent.trim();
    if (!words || !e || ['SCRIPT', 'STYLE', 'OPTION', 'TITLE'].includes(e.tagName)) continue;
    if (!e.checkVisibility({ opacityProperty: true, visibilityProperty: true })) continue;
    if (e.closest(':disabled, [aria-disabled="true"], .sr')) continue; // inactive controls are exempt
    if (e.closest('svg, .badge')) continue; // drawn over a picture, with an outline or ground of its own
    const style = getComputedStyle(e);
    let shown = parse(style.color);
    let opacity = 1;
    for (let at = e; at; at = at.parentElement) opacity *= Number(getComputedStyle(at).opacity);
    const ground = behind(e);
    shown = over({ ...shown, a: shown.a * opacity }, ground);
    const [hi, lo] = [luminance(shown), luminance(ground)].sort((a, b) => b - a);
    const ratio = (hi + 0.05) / (lo + 0.05);
    const size = parseFloat(style.fontSize);
    const large = size >= 24 || (size >= 18.66 && Number(style.fontWeight) >= 700);
    if (ratio < (large ? 3 : 4.5)) out.add(`"${words.slice(0, 40)}" (${e.tagName.toLowerCase()}.${e.className}) ${ratio.toFixed(2)}`);
  }
  return [...out];
}

/** In the page: controls without a name. */
function nameless() {
  const named = (e) => {
    const by = (e.getAttribute('aria-labelledby') ?? '').split(/\s+/).map((id) => document.getElementById(id)?.textContent ?? '').join('');
    const label = [...(e.labels ?? [])].map((l) => l.textContent).join('');
    const inside = e.tagName === 'INPUT' || e.tagName === 'SELECT' || e.tagName === 'TEXTAREA' ? '' : `${e.textContent}${[...e.querySelectorAll('img[alt]')].map((i) => i.alt).join('')}`;
    return [e.getAttribute('aria-label'), by, label, inside, e.title].some((t) => t?.trim());
  };
  return [...document.querySelectorAll('button, a[href], input, select, textarea, [role="slider"], [tabindex="0"]')]
    .filter((e) => e.checkVisibility() && e.type !== 'hidden' && !named(e)).map((e) => e.outerHTML.slice(0, 120));
}

/** Tabs once round the page: controls that were not reached, and those on which the focus cannot be seen. */
async function tabRound(page) {
  await page.evaluate(() => {
    const shown = (e) => e.checkVisibility({ visibilityProperty: true }) && !e.closest(':disabled, [inert]');
    const all = [...document.querySelectorAll('button, a[href], input, select, textarea, [role="slider"], [tabindex="0"]')]
      .filter((e) => shown(e) && e.tabIndex >= 0 && e.type !== 'hidden');
    // A group of radio buttons is one stop.
    window.tabStops = new Set(all.filter((e) => e.type !== 'radio' || e.checked));
    window.unseenFocus = new Set();
    document.activeElement?.blur();
  });
  const most = 2 * await page.evaluate(() => window.tabStops.size) + 20;
  for (let i = 0; i < most; i++) {
    await page.keyboard.press('Tab');
    const left = await page.evaluate(() => {
      const e = document.activeElement;
      if (!e || e === document.body) return window.tabStops.size;
      window.tabStops.delete(e);
      const seen = (x) => { const s = getComputedStyle(x); return s.outlineStyle !== 'none' && parseFloat(s.outlineWidth) >= 2; };
      if (!seen(e) && !(e.closest('label, .button') && seen(e.closest('label, .button')))) window.unseenFocus.add(e.outerHTML.slice(0, 120));
      return window.tabStops.size;
    });
    if (!left) break;
  }
  return page.evaluate(() => ({ missed: [...window.tabStops].filter((e) => e.isConnected).map((e) => e.outerHTML.slice(0, 120)), unseen: [...window.unseenFocus] }));
}

await finish(async () => {
  const truth = exam('exam', '--seed', '7', '--week', '20w3d', '--quick', '--frames', '4');
  const { address } = await serve();
  const page = await open(address);
  const troubles = [];
  const note = (where, what, list) => { for (const x of list) { troubles.push(x); console.log(`  ${where}: ${what}: ${x}`); } };
  const look = async (where, tabs = true) => {
    note(where, 'faint', await page.evaluate(faintText));
    note(where, 'no name', await page.evaluate(nameless));
    if (!tabs) return;
    const { missed, unseen } = await tabRound(page);
    note(where, 'Tab does not reach', missed);
    note(where, 'focus is not seen', unseen);
  };
  await page.waitForSelector('.exam-card');
  await look('day');
  for (const name of ['Settings', 'Keys and help']) {
    const button = page.locator(`[aria-label="${name}"]`).first();
    if (!await button.count()) continue;
    await button.click();
    await page.waitForSelector('dialog[open]');
    await look(name, false);
    await page.keyboard.press('Escape');
  }
  await page.click('.exam-card');
  await page.waitForSelector('.exam-page[data-ready="yes"]');
  await page.waitForFunction(() => Number(document.querySelector('.cell').dataset.shown) >= 0);
  await look('stage');
  await page.click('.row[data-quantity="hc"] .unfold');
  await look('readings', false);
  await page.locator('.halves [role="tab"]').nth(1).click();
  await look('structures', false);
  await page.locator('.halves [role="tab"]').nth(0).click();
  const files = await objectsByView(page, truth, page.url().split('/').pop());
  await page.click(`.thumb[data-object="${files.find((f) => f.view === 'umbilical artery').id}"]`);
  await page.keyboard.press('3');
  await page.waitForSelector('.proposal[data-kind="spectrum"][data-busy="no"]');
  await look('a spectrum proposed', false);
  await page.keyboard.press('Escape');
  const base = page.url();
  for (const [view, sign] of [['growth', '.chart img'], ['coverage', '.structure'], ['safety', 'td'], ['report', '.page']]) {
    await page.goto(base.replace(/(\/exam\/[^/]+).*/, `$1/${view}`));
    await page.waitForSelector(`.${view}-view ${sign}`);
    await look(view);
  }
  // A notice with a way back waits while the keyboard or the pointer is at it, and then its whole time again (WCAG 2.2, 2.2.1).
  await page.clock.install();
  for (const hold of ['focus', 'hover']) {
    await page.locator('.picks button[aria-label^="Delete: "]').last().click();
    await page.click('dialog button:has-text("taken twice")');
    await page.click('dialog button:has-text("Delete")');
    const undo = page.locator('.notice button:has-text("Undo")');
    await undo.waitFor();
    await undo[hold]();
    await page.clock.fastForward('05:00');
    equal(await undo.count(), 1, `notices with a way back, after five minutes of ${hold}`);
    if (hold === 'focus') await undo.blur();
    else await page.mouse.move(5, 5);
    await page.clock.fastForward(8000);
    equal(await undo.count(), 1, `notices with a way back, eight seconds after ${hold}`);
    await page.clock.fastForward(2000);
    await until('the notice goes', async () => (await page.locator('.notice').count()) === 0);
  }
  await page.clock.resume();
  for (const [where, sign] of [['people', '.stack'], ['protocols', 'nav button'], ['calculator', 'input']]) {
    await page.goto(`${address}${where}`);
    await page.waitForSelector(sign);
    if (where === 'protocols') await page.click('nav button:has-text("Second trimester")');
    await look(where, where !== 'protocols'); // hundreds of stops, all of one kind
  }
  check(!troubles.length, `${troubles.length} faults`);

  // The looks themselves see what is wrong: grey on grey, a field and a button without a name, a focus that is not drawn.
  await page.evaluate(() => {
    const add = (kind, words, style) => { // not as attributes: the page's policy lets no style of its own through
      const e = document.createElement(kind);
      e.textContent = words;
      Object.assign(e.style, style);
      document.querySelector('main').prepend(e);
      return e;
    };
    add('p', 'faint words', { background: '#fff', color: '#777' });
    add('p', 'words that can just be read', { background: '#fff', color: '#767676' });
    add('input', '', {});
    add('button', '', { outline: 'none' }).id = 'plain';
  });
  const faint = await page.evaluate(faintText);
  check(faint.length === 1 && /faint words.*4\.48/.test(faint[0]), `faint: ${faint.join('; ')}`);
  equal((await page.evaluate(nameless)).length, 2, 'controls without a name');
  const { unseen } = await tabRound(page);
  check(unseen.length === 1 && /plain/.test(unseen[0]), `focus that is not seen: ${unseen.join('; ')}`);
  equal(page.troubles.join('; '), '', 'nothing went wrong in the page');
});
