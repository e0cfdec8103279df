'use strict';
(() => {
  const data = JSON.parse(document.getElementById('data').textContent);
  const rows = data.rows;
  const PAGE = 100;
  const TREND_PAGE = 12;
  const BAR = 1.959964;
  const words = {
    suspected: 'suspected', cannot_tell: 'cannot tell', clear: 'clear',
    not_judged: 'not judged', refused: 'cannot be used', failed: 'failed',
  };
  const shapes = { suspected: 'suspected', cannot_tell: 'cannot', clear: 'clear' };
  const order = { suspected: 0, cannot_tell: 1, clear: 2, not_judged: 3, failed: 4, refused: 5 };
  const byId = (id) => document.getElementById(id);

  // Text goes in as text, never as markup.
  const make = (name, attributes, ...children) => {
    const svg = ['svg', 'g', 'line', 'path', 'circle', 'rect', 'polyline', 'text', 'title'].includes(name);
    const element = svg ? document.createElementNS('http://www.w3.org/2000/svg', name) : document.createElement(name);
    for (const [key, value] of Object.entries(attributes || {})) {
      if (value !== undefined && value !== null) element.setAttribute(key, value);
    }
    for (const child of children) {
      if (child !== undefined && child !== null) element.append(child);
    }
    return element;
  };
  const minus = (text) => (/^-0*\.?0*$/.test(text) ? text.slice(1) : text.replace('-', '\u2212'));
  const mm = (value, sd) => minus(value.toFixed(0)) + '\u00a0±\u00a0' + (BAR * sd).toFixed(0) + '\u00a0mm';
  const percent = (p) => (p >= 0.995 ? 'over 99\u00a0%' : p < 0.005 ? 'under 1\u00a0%' : (100 * p).toFixed(0) + '\u00a0%');

  const mark = (kind) => {
    const svg = make('svg', { class: 'mark', 'aria-hidden': 'true', viewBox: '0 0 42 16' });
    if (kind === 'suspected') svg.append(make('rect', { class: 'full', x: 1, y: 1, width: 40, height: 14 }));
    if (kind === 'cannot_tell') svg.append(make('path', { class: 'stripes', d: 'M2,14L14,2M11,14L23,2M20,14L32,2M29,14L40,3' }));
    if (kind === 'clear' || kind === 'cannot_tell') svg.append(make('rect', { class: 'frame', x: 1, y: 1, width: 40, height: 14 }));
    return svg;
  };
  const call = (kind) => (shapes[kind]
    ? make('span', { class: 'call ' + shapes[kind] }, mark(kind), words[kind])
    : make('span', {}, words[kind]));

  const name = (row) => row.n;
  const label = (row) => name(row) + (row.h ? ', hold ' + row.h : '');
  const link = (row, text) => (row.r ? make('a', { href: row.r }, text) : make('span', {}, text));

  const columns = [
    { title: 'Recording', key: (r) => r.f + '/' + r.n, cell: (r) => make('td', { class: 'name' }, link(r, r.n), r.gone ? make('span', { class: 'gone' }, ' (no longer in its folder)') : null) },
    { title: 'Athlete', key: (r) => r.a, cell: (r) => make('td', {}, r.a) },
    { title: 'Session', key: (r) => r.s, cell: (r) => make('td', { class: 'when' }, r.s) },
    { title: 'Label', key: (r) => r.l, cell: (r) => make('td', {}, r.l) },
    { title: 'Hold', key: (r) => r.h || 0, cell: (r) => make('td', { class: 'when' }, r.h ? r.h + (r.t[1] > r.t[0] ? ': ' + r.t[0].toFixed(1) + '\u2013' + r.t[1].toFixed(1) + '\u00a0s' : ': photograph') : '') },
    { title: 'Leg', key: (r) => r.leg || '', cell: (r) => make('td', {}, r.leg || '') },
    { title: 'Call', key: (r) => order[r.k], cell: (r) => make('td', {}, call(r.k)) },
    { title: 'Fault likely', key: (r) => (r.p === undefined || r.p === null ? -1 : r.p), down: true, cell: (r) => make('td', { class: 'num' }, r.p === undefined || r.p === null ? '' : percent(r.p)) },
    { title: 'Worst place', key: (r) => (r.w === undefined ? -1 : r.w), cell: (r) => make('td', {}, r.w === undefined ? '' : data.stations[r.w].replace(' %', '\u00a0%')) },
    { title: 'Gap there', key: (r) => (r.w === undefined ? -1e9 : r.g[r.w]), down: true, cell: (r) => make('td', { class: 'num' }, r.w === undefined ? '' : mm(r.g[r.w], r.d[r.w])) },
    { title: 'In words', key: (r) => r.e, cell: (r) => make('td', { class: 'explanation' }, r.e) },
  ];

  let sorted = 7;
  let downwards = true;
  let shown = [];
  let page = 0;
  let trendPage = 0;

  const collator = new Intl.Collator('en', { numeric: true });
  const compare = (a, b) => (typeof a === 'number' && typeof b === 'number' ? a - b : collator.compare(String(a), String(b)));

  // Each column is put in order once; sorting again only compares places.
  const ranks = new Map();
  const rankOf = (column) => {
    if (!ranks.has(column)) {
      const keys = rows.map(columns[column].key);
      const inOrder = rows.map((_, i) => i).sort((a, b) => compare(keys[a], keys[b]));
      const rank = new Int32Array(rows.length);
      inOrder.forEach((row, place) => {
        rank[row] = place > 0 && compare(keys[inOrder[place - 1]], keys[row]) === 0 ? rank[inOrder[place - 1]] : place;
      });
      ranks.set(column, rank);
    }
    return ranks.get(column);
  };

  const haystack = rows.map((r) => (r.n + '\n' + r.l + '\n' + r.e + '\n' + (r.why || '')).toLowerCase());

  const filter = () => {
    const find = byId('find').value.trim().toLowerCase();
    const athlete = byId('athlete').value;
    const session = byId('session').value;
    const kinds = new Set([...document.querySelectorAll('#filters input[name=call]:checked')].map((box) => box.value));
    shown = [];
    for (let i = 0; i < rows.length; i += 1) {
      const r = rows[i];
      if (kinds.has(r.k) && (athlete === '*' || r.a === athlete.slice(1)) && (session === '*' || r.s === session.slice(1)) && (!find || haystack[i].includes(find))) shown.push(i);
    }
    const rank = rankOf(sorted);
    shown.sort((a, b) => (downwards ? rank[b] - rank[a] : rank[a] - rank[b]) || a - b);
    page = 0;
    trendPage = 0;
    draw();
  };

  const pager = (holder, count, size, at, go, what) => {
    const pages = Math.max(1, Math.ceil(count / size));
    const button = (text, to) => {
      const b = make('button', { type: 'button' }, text);
      b.disabled = to < 0 || to >= pages;
      b.addEventListener('click', () => go(to));
      return b;
    };
    const said = count === 0 ? 'nothing to show' : (at * size + 1) + ' to ' + Math.min(count, (at + 1) * size) + ' of ' + count + ' ' + what;
    holder.replaceChildren(button('Earlier', at - 1), make('span', { 'aria-live': 'polite' }, said), button('Later', at + 1));
  };

  // One scale for every profile, so that they can be compared by eye.
  const gaps = rows.flatMap((r) => r.g || []).sort((a, b) => a - b);
  const top = Math.min(120, Math.max(30, gaps.length ? gaps[Math.floor(0.98 * (gaps.length - 1))] : 30));
  const bottom = -10;
  const clampMm = (v) => Math.min(top, Math.max(bottom, v));

  const profile = (r) => {
    const [width, height] = [180, 96];
    const x = (k) => 10 + (width - 20) * (data.along[k] / data.along[5]);
    const y = (v) => 6 + (height - 12) * ((top - clampMm(v)) / (top - bottom));
    const svg = make('svg', { viewBox: `0 0 ${width} ${height}`, role: 'img', 'aria-label': label(r) + ': ' + r.e });
    svg.append(make('rect', { class: 'under-carpet', x: 0, y: y(0), width, height: height - y(0) }));
    svg.append(make('line', { class: 'carpet-line', x1: 0, x2: width, y1: y(0), y2: y(0) }));
    if (r.tol !== undefined) svg.append(make('line', { class: 'tolerance', x1: 0, x2: width, y1: y(r.tol), y2: y(r.tol) }));
    r.g.forEach((g, k) => {
      svg.append(make('line', { class: 'bar', x1: x(k), x2: x(k), y1: y(g - BAR * r.d[k]), y2: y(g + BAR * r.d[k]) }));
      svg.append(make('circle', { class: r.tol !== undefined && g > r.tol ? 'point over' : 'point', cx: x(k), cy: y(g), r: 3.2 }));
    });
    return svg;
  };

  const trend = (t) => {
    const points = t.sessions.filter((s) => s.heel || s.calf);
    const box = make('div', {}, make('h3', {}, t.athlete || 'nobody named'));
    if (points.length) {
      const [width, height, left] = [460, 160, 52];
      const ends = points.flatMap((s) => [s.heel, s.calf]).filter(Boolean).flatMap((p) => [p.gap_mm - BAR * p.sd_mm, p.gap_mm + BAR * p.sd_mm]);
      const high = Math.min(150, Math.max(30, ...ends));
      const low = Math.max(-40, Math.min(-5, ...ends));
      const inside = (v) => Math.min(high, Math.max(low, v));
      const x = (k, side) => left + (width - left - 14) * ((k + 0.5) / points.length) + side;
      const y = (v) => 8 + (height - 30) * ((high - inside(v)) / (high - low));
      const svg = make('svg', { viewBox: `0 0 ${width} ${height}`, role: 'img', 'aria-label': 'Gap by session of ' + (t.athlete || 'nobody named') + '; the numbers are in the table below.' });
      for (const v of [0, 20, 40, 60, 80, 100, 120, 140].filter((v) => v <= high)) {
        svg.append(make('line', { class: v === 0 ? 'carpet-line' : 'grid-line', x1: left, x2: width, y1: y(v), y2: y(v) }));
        svg.append(make('text', { class: 'tick', x: left - 6, y: y(v) + 4, 'text-anchor': 'end' }, v === 0 ? '0 mm' : String(v)));
      }
      for (const [part, side] of [['calf', -4], ['heel', 4]]) {
        const there = points.map((s, k) => [k, s[part]]).filter((p) => p[1]);
        svg.append(make('polyline', { class: 'series ' + part, points: there.map(([k, p]) => `${x(k, side).toFixed(1)},${y(p.gap_mm).toFixed(1)}`).join(' ') }));
        for (const [k, p] of there) {
          svg.append(make('line', { class: 'whisker ' + part, x1: x(k, side), x2: x(k, side), y1: y(p.gap_mm - BAR * p.sd_mm), y2: y(p.gap_mm + BAR * p.sd_mm) }));
          svg.append(make('circle', { class: 'dot ' + part, cx: x(k, side), cy: y(p.gap_mm), r: 3.4 }));
        }
      }
      const every = Math.ceil(points.length / 5);
      points.forEach((s, k) => {
        const short = (s.session || '(none)').slice(0, Math.max(6, Math.floor(50 * every / points.length)));
        if (k % every === 0) svg.append(make('text', { class: 'tick', x: x(k, 0), y: height - 6, 'text-anchor': 'middle' }, short));
      });
      box.append(svg);
    }
    const head = make('tr', {}, ...['Session', 'Holds', 'Susp.', 'Clear', 'Cannot tell', 'Suspected of those told', 'Knee to ankle', 'Heel'].map((h) => make('th', { scope: 'col' }, h)));
    const body = t.sessions.map((s) => make('tr', {},
      make('th', { scope: 'row', class: 'when' }, s.session || '(none)'), make('td', {}, String(s.holds)), make('td', {}, String(s.suspected)), make('td', {}, String(s.clear)), make('td', {}, String(s.cannot_tell)),
      make('td', {}, s.suspected + s.clear ? (100 * s.suspected_share_95[0]).toFixed(0) + '\u2013' + (100 * s.suspected_share_95[1]).toFixed(0) + '\u00a0%' : 'none told'),
      make('td', { class: 'when' }, s.calf ? mm(s.calf.gap_mm, s.calf.sd_mm) : ''), make('td', { class: 'when' }, s.heel ? mm(s.heel.gap_mm, s.heel.sd_mm) : '')));
    box.append(make('div', { class: 'wide' }, make('table', {}, make('thead', {}, head), make('tbody', {}, ...body))));
    return box;
  };

  const pagers = document.querySelectorAll('.pager');

  const drawRows = () => {
    const head = make('tr', {}, ...columns.map((c, k) => {
      const b = make('button', { type: 'button' }, c.title + (k === sorted ? (downwards ? ' \u25bc' : ' \u25b2') : ''));
      b.addEventListener('click', () => {
        downwards = k === sorted ? !downwards : Boolean(c.down);
        sorted = k;
        filter();
      });
      return make('th', { scope: 'col', 'aria-sort': k === sorted ? (downwards ? 'descending' : 'ascending') : null }, b);
    }));
    document.querySelector('#rows thead').replaceChildren(head);
    const here = shown.slice(page * PAGE, (page + 1) * PAGE).map((i) => rows[i]);
    document.querySelector('#rows tbody').replaceChildren(...here.map((r) => make('tr', {}, ...columns.map((c) => c.cell(r)))));
    byId('profiles').replaceChildren(...here.filter((r) => r.g).map((r) => {
      const title = make('span', { class: 'title' }, label(r));
      const classes = 'profile-box ' + (shapes[r.k] || '');
      return r.r ? make('a', { href: r.r, class: classes }, title, profile(r)) : make('div', { class: classes }, title, profile(r));
    }));
    const go = (to) => { page = to; drawRows(); };
    pager(pagers[0], shown.length, PAGE, page, go, 'rows');
    pager(pagers[1], shown.length, PAGE, page, go, 'rows');
  };

  const drawTrends = () => {
    const athletes = new Set(shown.map((i) => rows[i].a));
    const these = data.trends.filter((t) => athletes.has(t.athlete));
    byId('trends').replaceChildren(...these.slice(trendPage * TREND_PAGE, (trendPage + 1) * TREND_PAGE).map(trend));
    pager(pagers[2], these.length, TREND_PAGE, trendPage, (to) => { trendPage = to; drawTrends(); }, 'athletes');
  };

  const drawWhy = () => {
    const why = new Map();
    const add = (reason, r) => {
      if (!why.has(reason)) why.set(reason, []);
      why.get(reason).push(r);
    };
    for (const i of shown) {
      const r = rows[i];
      if (r.why) add(r.why, r);
      if (r.k === 'cannot_tell') add(r.can[0] && r.can[1] ? 'too near the tolerance to call either way' : 'this view cannot show a lift of the tolerance', r);
    }
    const head = make('tr', {}, ...['Why', 'How many', 'Such as'].map((h) => make('th', { scope: 'col' }, h)));
    document.querySelector('#why thead').replaceChildren(head);
    const body = [...why].sort((a, b) => b[1].length - a[1].length).map(([reason, those]) => make('tr', {},
      make('th', { scope: 'row' }, reason), make('td', {}, String(those.length)),
      make('td', {}, ...those.slice(0, 3).map((r) => make('div', {}, link(r, label(r)), ': ', r.e)))));
    document.querySelector('#why tbody').replaceChildren(...(body.length ? body : [make('tr', {}, make('td', { colspan: 3 }, 'Nothing.'))]));
  };

  const draw = () => {
    const count = (kind) => shown.filter((i) => rows[i].k === kind).length;
    byId('tally').textContent = Object.keys(order).map((k) => [count(k), words[k]]).filter((p) => p[0]).map((p) => p.join(' ')).join(', ') + (shown.length < rows.length ? ' (of ' + rows.length + ' rows)' : '');
    drawRows();
    drawTrends();
    drawWhy();
  };

  // A leading sign keeps a name of “*” apart from “all”.
  const fill = (id, all, values) => {
    const options = [make('option', { value: '*' }, all)];
    for (const v of [...new Set(values)].sort(collator.compare)) options.push(make('option', { value: '=' + v }, v || '(none)'));
    byId(id).replaceChildren(...options);
  };
  fill('athlete', 'all', rows.map((r) => r.a));
  fill('session', 'all', rows.map((r) => r.s));
  let waiting;
  byId('find').addEventListener('input', () => { clearTimeout(waiting); waiting = setTimeout(filter, 150); });
  byId('filters').addEventListener('change', filter);
  byId('filters').addEventListener('submit', (event) => event.preventDefault());
  byId('all').addEventListener('click', () => { byId('filters').reset(); filter(); });
  filter();
})();
