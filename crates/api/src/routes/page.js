'use strict';
// Shows what the daemon says, and that it says nothing when it does. Nothing is remembered for longer than it
// holds: a zone is unknown when its valid_for_s is over, by the daemon's steady clock, which is reckoned from the messages
// and which no setting of a wall clock moves.
const el = id => document.getElementById(id);
const SILENT_MS = 3000; // a live stream says something more often
const POLL_MS = 1000, OLD_POLL_MS = 4000;

// The daemon's steady clock against this page's. The message that was quickest on its way tells best, so the smallest
// difference counts; what is reckoned too late by it is less than that message took. A message that waited somewhere is
// held against it for that much shorter.
let offset = Infinity;
let heard = -Infinity; // of the stream, by performance.now()
let stream = null, reopen = 0;
const zones = new Map(), tags = new Map();
let zoneNames = null, anchors = null, anchorsAt = -Infinity, planAt = -Infinity, linkBody = null;

const millis = stamp => Date.parse(stamp.slice(0, 23) + 'Z'); // to the millisecond
const daemonNow = () => performance.now() - offset; // milliseconds since its start
const alive = () => performance.now() - heard <= SILENT_MS;
const holds = m => alive() && daemonNow() <= 1000 * (m.sender_s + m.valid_for_s);

function open() {
  clearTimeout(reopen);
  if (stream) stream.close();
  stream = new EventSource('/v1/live.sse?topics=position,zone,anchor,link&max_rate_hz=5');
  stream.onopen = () => { // perhaps another daemon: nothing of before counts
    offset = Infinity;
    zones.clear();
    tags.clear();
    refresh();
  };
  stream.onmessage = e => take(JSON.parse(e.data));
  stream.onerror = () => {
    heard = -Infinity;
    if (stream.readyState === EventSource.CLOSED) reopen = setTimeout(open, 2000);
    show();
  };
}

function take(m) {
  heard = performance.now();
  if ('sender_s' in m) offset = Math.min(offset, heard - 1000 * m.sender_s);
  if (m.type === 'zone') zones.set(m.zone + '\n' + m.tag, m);
  if (m.type === 'zone' && m.tag !== null) zones.delete(m.zone + '\nnull');
  if (m.type === 'position') tags.set(m.tag, m);
  if (m.type === 'link') linkBody = m;
  if (m.type === 'anchor') refresh();
  show();
}

// Rows for what was never heard, and figures that the stream does not repeat.
let asking = false, again = false;
async function refresh() {
  if (asking) { again = true; return; }
  asking = true;
  try {
    const [a, z] = await Promise.all(['/v1/anchors', '/v1/zones'].map(async path => {
      const answer = await fetch(path, {signal: AbortSignal.timeout(3000)});
      if (!answer.ok) throw new Error(path);
      return answer.json();
    }));
    anchors = a;
    zoneNames = z.zones.map(zone => zone.zone);
    anchorsAt = performance.now();
  } catch { /* its age tells */ }
  asking = false;
  if (again) { again = false; setTimeout(refresh, 200); }
  show();
}

let drawing = false;
async function draw() {
  if (drawing || document.hidden) return;
  drawing = true;
  const figure = el('plan'), img = figure.querySelector('img');
  try {
    const width = Math.max(280, Math.min(2000, Math.floor(figure.clientWidth)));
    const theme = matchMedia('(prefers-color-scheme: dark)').matches ? 'dark' : 'light';
    const answer = await fetch(`/v1/plan.svg?notes=no&theme=${theme}&width=${width}`, {signal: AbortSignal.timeout(3000)});
    if (!answer.ok) throw new Error('plan');
    const next = new Image(), url = URL.createObjectURL(await answer.blob());
    next.src = url;
    await next.decode(); // so that nothing flickers
    const before = img.src;
    img.src = url;
    img.hidden = false;
    if (before) URL.revokeObjectURL(before);
    planAt = performance.now();
  } catch { /* its age tells */ }
  drawing = false;
  show();
}

const seconds = ms => ms < 99500 ? `${Math.max(0, Math.round(ms / 1000))} s` : ms < 5.97e6 ? `${Math.round(ms / 60000)} min` : `${Math.round(ms / 3.6e6)} h`;
const percent = v => v === null ? '–' : `${Math.round(100 * v)} %`;
const signed = v => v === null ? '–' : (v < 0 ? '−' : '+') + Math.abs(v).toFixed(2);

// Elements from [tag, class, children...]; only text goes in, never HTML.
function make([tag, name, ...inside]) {
  const e = document.createElement(tag);
  if (name) e.className = name;
  if (tag === 'th') e.scope = 'row';
  for (const i of inside) e.append(Array.isArray(i) ? make(i) : i);
  return e;
}

// Puts rows in only when they differ, so that neither a reader's place nor a selection is lost.
const shown = new WeakMap();
function fill(parent, rows, keep = 0) {
  const text = JSON.stringify(rows);
  if (shown.get(parent) === text) return;
  shown.set(parent, text);
  while (parent.children.length > keep) parent.lastChild.remove();
  const made = rows.map(make);
  made.forEach(e => e.querySelectorAll('tr.why > td').forEach(td => { td.colSpan = 5; }));
  made.filter(e => e.className === 'why').forEach(e => { e.firstChild.colSpan = 5; });
  parent.append(...made);
}

function note(id, text, bad) {
  const e = el(id);
  if (e.textContent !== text) e.textContent = text;
  e.className = bad ? 'bad' : 'quiet';
}

const saidStates = new Map();
let queue = [];
function announce(key, text) {
  const before = saidStates.get(key);
  saidStates.set(key, text);
  if (before !== undefined && before !== text) queue.push(text);
}

function showZones() {
  const names = zoneNames || [...new Set([...zones.values()].map(m => m.zone))];
  const rows = [];
  for (const name of names) {
    const of = [...zones.values()].filter(m => m.zone === name).sort((a, b) => a.tag - b.tag);
    for (const m of of.length ? of : [null]) {
      const good = m && holds(m);
      const state = good ? m.state : 'unknown';
      const tag = m && m.tag !== null ? String(m.tag) : 'any';
      const since = good && m.since ? seconds(millis(m.time) - millis(m.since) + daemonNow() - 1000 * m.sender_s) : '–';
      rows.push(['tr', good ? '' : 'gone', ['th', '', name], ['td', '', ['span', 'word ' + state, state]], ['td', '', tag], ['td', '', since]]);
      const why = good ? (m.state === 'unknown' ? m.words : '') :
        alive() && m && m.state === 'unknown' ? m.words : 'No data: nothing that still holds was heard.';
      if (why) rows.push(['tr', 'why', ['td', '', why]]);
      announce(`${name}\n${tag}`, `${name}: ${state}${tag === 'any' ? '' : `, tag ${tag}`}`);
    }
  }
  fill(el('zones').tBodies[0], rows);
  el('no-zones').hidden = rows.length > 0 || zoneNames === null;
  el('zones').classList.toggle('stale', !alive());
}

const TAG_WORDS = {located: 'located', coasting: 'predicted', ambiguous: 'one of two places', lost: 'lost'};
function showTags() {
  // As in the plan: while ranges and site file don't fit each other no position is to be trusted.
  const doubted = anchors && anchors.kit.some(k => k.kind === 'site_does_not_fit' && k.all);
  const rows = [...tags.values()].sort((a, b) => a.tag - b.tag).slice(0, 50).map(m => {
    const good = holds(m), known = good && m.position_m;
    const sure = good && m.state === 'located' && !doubted;
    const word = m => TAG_WORDS[m.state] + (m.state === 'located' && !m.checked ? ', unchecked' : '');
    const state = !good ? 'no data' : doubted && known ? 'in doubt' : word(m);
    return ['tr', good ? '' : 'gone', ['th', '', String(m.tag)], ['td', sure ? '' : 'bad', state],
      ['td', '', known ? `${m.position_m[0].toFixed(2)}, ${m.position_m[1].toFixed(2)}` : '–'],
      ['td', '', known && m.radius95_m !== null ? m.radius95_m.toFixed(2) : '–']];
  });
  fill(el('tags').tBodies[0], rows);
  el('no-tags').hidden = rows.length > 0;
}

const STATES = {silent: 'silent', never_heard: 'never heard'};
function showAnchors() {
  const age = performance.now() - anchorsAt, old = age > OLD_POLL_MS;
  el('anchors').classList.toggle('stale', old);
  if (!anchors) return note('anchors-note', 'No data: the daemon does not answer', true);
  note('anchors-note', old ? `No data for ${seconds(age)}: the daemon does not answer; what follows is old` : '', true);
  fill(el('kit'), anchors.kit.map(k => ['li', '', ['p', 'bad', k.words], ['p', '', '→ ' + k.advice]]));
  const rows = [...anchors.anchors].sort((a, b) => a.rank - b.rank).map(a => {
    const calm = a.state === 'heard' && !a.findings.length;
    const state = old ? 'no data' : a.state !== 'heard' ? STATES[a.state] : a.set_aside ? 'not used' : calm ? 'heard' : 'to check';
    const why = a.findings.map(f => ['p', '', f.words]);
    if (a.treated) why.push(['p', '', a.treated]);
    if (a.place && a.place.answer === 'cannot_tell') why.push(['p', 'quiet', a.place.words]);
    if (a.advice) why.push(['p', 'do', a.advice]);
    const row = ['tr', '', ['th', '', `${a.id} ${a.name}`], ['td', old ? 'gone bad' : calm ? '' : 'bad', state],
      ...[percent(a.share), percent(a.rejected_share), signed(a.mean_residual_m)].map(v => ['td', '', old ? '–' : v])];
    return ['tbody', '', row, ...(why.length ? [['tr', 'why', ['td', '', ...why]]] : [])];
  });
  fill(el('anchors'), rows, 1);
}

function showState() {
  const silent = performance.now() - heard, waiting = linkBody && linkBody.state === 'waiting';
  const fresh = [...tags.values()].some(holds);
  const state = fresh ? 'Live' : !isFinite(silent) ? 'No data: no connection to the daemon' :
    !alive() ? `No data for ${seconds(silent)}: the stream is silent` : 'No data: no tag has a message that still holds';
  if (el('state').textContent !== state) el('state').textContent = state;
  el('state').className = fresh ? '' : 'bad';
  announce('', fresh ? 'Live' : 'No data');
  note('link', waiting ? `Link waiting: ${linkBody.reason || 'no reason known'}` : '', true);
  const age = performance.now() - planAt, old = age > OLD_POLL_MS;
  el('plan').classList.toggle('stale', old);
  note('plan-note', !isFinite(age) ? 'No data: no plan yet' : old ? `No data: this picture is ${seconds(age)} old` : '', true);
}

function show() {
  showState();
  showZones();
  showTags();
  showAnchors();
}

// One announcement at a time, the newest states of what has changed.
setInterval(() => {
  if (queue.length) { el('said').textContent = [...new Set(queue)].slice(-6).join('. '); queue = []; }
}, 1000);
setInterval(show, 200);
setInterval(draw, POLL_MS);
setInterval(() => { if (!document.hidden) refresh(); }, 2 * POLL_MS);
document.addEventListener('visibilitychange', () => { if (!document.hidden) { show(); draw(); refresh(); } });
addEventListener('resize', draw);
open();
draw();
refresh();
