// Makes the card's chart zoomable. The page is whole without it: the drawing
// that the server made stays until data for this one has arrived, and goes on
// paper. All numbers come from the server; nothing is computed here but where
// they stand on the screen.
(function () {
	'use strict';

	const box = document.getElementById('chart');
	if (!box || !window.uPlot) return;

	const words = JSON.parse(document.getElementById('words').textContent);
	const t = (text) => words[text] || text;
	const { degrees, kelvins, comma } = box.dataset;

	const day = 86400;
	const zone = box.dataset.zone;
	const seconds = (text) => Date.parse(text) / 1000;
	const first = seconds(box.dataset.first);
	const last = seconds(box.dataset.last);
	const home = { from: seconds(box.dataset.from), to: seconds(box.dataset.to) };

	const plotsBox = box.querySelector('.plots');
	const cursorLine = box.querySelector('.cursor');
	const keys = box.querySelector('.keys');
	const numbers = box.querySelector('.numbers');
	const title = box.querySelector('h2');

	const names = {
		surface_c: [t('surface'), degrees, 1],
		dew_point_c: [t('dew point'), degrees, 1],
		margin_k: [t('margin'), kelvins, 1],
		inside_temp_c: [t('air inside'), degrees, 1],
		inside_rh_pct: [t('humidity inside'), '%RH', 0],
		board_temp_c: [t('board'), degrees, 1],
		cover_temp_c: [t('cover'), degrees, 1],
		outside_temp_c: [t('outdoors'), degrees, 1],
		outside_rh_pct: [t('humidity outdoors'), '%RH', 0],
		line_current_ma: [t('line current'), 'mA', 2],
		line_voltage_v: [t('line voltage'), 'V', 2],
		comb_us: [t('comb'), 'µS', 2],
	};
	// Follow from the air inside: unknown time breaks their lines.
	const inside = ['surface_c', 'dew_point_c', 'margin_k', 'inside_temp_c', 'inside_rh_pct'];

	const drawings = [
		{ title: t('Surface and dew point'), unit: degrees, height: 250, hours: true, lines: [
			['dew_point_c', '--water', 1.75, [5, 3]],
			['surface_c', '--ink', 1.75, null]] },
		{ title: t('Margin'), unit: kelvins, height: 130, marks: [[0, t('dew or frost')], [kelvins === 'K' ? 3 : 5.4, t('at risk')]], lines: [
			['margin_k', '--ink', 1.5, null]] },
		{ title: t('Humidity'), unit: '%RH', height: 130, lines: [
			['outside_rh_pct', '--muted', 1, null],
			['inside_rh_pct', '--water', 1.5, null]] },
		{ title: t('Line current'), unit: 'mA', height: 110, lines: [
			['line_current_ma', '--ink', 1.5, null]] },
		{ title: t('Line voltage'), unit: 'V', height: 110, lines: [
			['line_voltage_v', '--ink', 1.5, null]] },
		{ title: t('Comb'), unit: 'µS', height: 110, lines: [
			['comb_us', '--ink', 1.5, null]] },
	];

	const colour = (name) => getComputedStyle(document.documentElement).getPropertyValue(name).trim();
	const small = () => '13px ' + getComputedStyle(document.body).fontFamily;

	const clock = (options) => {
		const format = new Intl.DateTimeFormat(document.documentElement.lang === 'en' ? 'en-GB' : document.documentElement.lang, Object.assign({ timeZone: zone }, options));
		return (s) => format.format(new Date(s * 1000)).replace(',', '');
	};
	const inFull = clock({ weekday: 'short', day: 'numeric', month: 'short', year: 'numeric', hour: '2-digit', minute: '2-digit' });
	const asTime = clock({ hour: '2-digit', minute: '2-digit' });
	const asDay = clock({ weekday: 'short', day: 'numeric' });
	const asDate = clock({ day: 'numeric', month: 'short' });
	const asMonth = clock({ month: 'short', year: 'numeric' });

	const write = (value, decimals) => (value == null ? '–' : value.toFixed(decimals).replace(/^-(?=0(\.0+)?$)/, '').replace('-', '−').replace('.', comma ? ',' : '.'));
	const hours = (h) => (h === 0 ? '0' : h < 0.05 ? '<' + write(0.1, 1) : write(h, 1));

	const state = { from: home.from, to: home.to, data: null, plots: [], before: [], asked: 0 };

	// ---- data

	async function load(from, to) {
		const asked = ++state.asked;
		const points = Math.min(5000, Math.max(300, Math.round(plotsBox.clientWidth || box.clientWidth) * 2));
		const iso = (s) => encodeURIComponent(new Date(s * 1000).toISOString());
		const answer = await fetch(`/stations/${box.dataset.station}/series?from=${iso(from)}&to=${iso(to)}&points=${points}`);
		if (!answer.ok) throw new Error(answer.statusText);
		const data = await answer.json();
		if (asked !== state.asked) return; // somebody was faster
		state.from = from;
		state.to = to;
		state.data = data;
		box.querySelector('#as-csv a').href = `/stations/${box.dataset.station}/series.csv?from=${iso(from)}&to=${iso(to)}&points=${points}`;
		show();
	}

	function failed() {
		cursorLine.hidden = false;
		cursorLine.textContent = t('The readings could not be fetched; load the page again.');
	}

	function zoom(from, to, remember) {
		const least = 600;
		if (to - from < least) {
			const middle = (from + to) / 2;
			from = middle - least / 2;
			to = middle + least / 2;
		}
		if (remember) state.before.push([state.from, state.to]);
		load(from, to).then(function () {
			const iso = (s) => new Date(Math.round(s) * 1000).toISOString().replace('.000', '');
			history.replaceState(null, '', `?from=${iso(from)}&to=${iso(to)}#chart`);
			title.textContent = t('{from} to {to}').replace('{from}', inFull(from)).replace('{to}', inFull(to));
			for (const a of box.querySelectorAll('.windows [aria-current]')) a.removeAttribute('aria-current');
		}).catch(failed);
	}

	function back() {
		const before = state.before.pop();
		if (before) zoom(before[0], before[1], false);
	}

	// ---- drawing

	function show() {
		const focus = document.activeElement === plotsBox;
		document.documentElement.classList.add('js');
		plotsBox.hidden = cursorLine.hidden = keys.hidden = numbers.hidden = false;
		for (const u of state.plots) u.destroy();
		plotsBox.textContent = '';
		state.plots = [];
		for (const d of drawings) {
			const lines = d.lines.filter(([q]) => state.data.values[q]);
			if (lines.length) state.plots.push(draw(d, lines));
		}
		cursorLine.textContent = state.data.time_s.length ? '' : t('Nothing was heard in this time.');
		numbers.querySelector('.scroll').textContent = '';
		if (numbers.open) table();
		if (focus) plotsBox.focus();
		box.chart = { plots: state.plots, data: state.data };
	}

	function draw(d, lines) {
		const head = document.createElement('h3');
		head.textContent = d.title;
		const unit = document.createElement('span');
		unit.textContent = ', ' + d.unit;
		head.append(unit);
		const holder = document.createElement('div');
		plotsBox.append(head, holder);

		const axis = { stroke: () => colour('--muted'), font: small(), ticks: { show: false } };
		const grid = { stroke: () => colour('--rule'), width: 0.6 };
		const u = new uPlot({
			width: plotsBox.clientWidth,
			height: d.height,
			padding: [8, 0, 0, 0],
			legend: { show: false },
			tzDate: (s) => uPlot.tzDate(new Date(s * 1000), zone),
			scales: {
				x: { time: true, range: () => [state.from, state.to] },
				y: { range: (u, lo, hi) => scale(lo, hi, d) },
			},
			axes: [
				Object.assign({ grid: { show: false }, size: 26, gap: 4, space: 64, values: times }, axis),
				Object.assign({ grid, size: 40, gap: 4, space: 28, values: (u, list) => list.map((v) => write(v, list.some((x) => x % 1) ? 1 : 0)) }, axis),
			],
			series: [{}].concat(lines.map(([q, name, width, dash]) => ({
				label: names[q][0], stroke: () => colour(name), width, dash, points: { show: false },
				spanGaps: false, gaps: (u, si, i0, i1, gaps) => breaks(u, q, gaps),
			}))),
			cursor: {
				sync: { key: 'card' }, y: false,
				drag: { x: true, y: false, setScale: false },
				points: { size: 6 },
				bind: { dblclick: () => () => { back(); return null; } },
			},
			hooks: {
				drawClear: [ground],
				draw: [(u) => { marks(u, d); labels(u, d, lines); }],
				setSelect: [selected],
				setCursor: [moved],
			},
		}, [state.data.time_s].concat(lines.map(([q]) => state.data.values[q])), holder);
		return u;
	}

	function scale(lo, hi, d) {
		if (lo == null) return [0, 1];
		for (const [v] of d.marks || []) { lo = Math.min(lo, v); hi = Math.max(hi, v); }
		const room = Math.max((hi - lo) * 0.06, 0.2);
		return [lo - room, hi + (d.hours ? Math.max(room, (hi - lo) * 0.16) : room)];
	}

	// times writes under a week's chart each day's name at its noon, else what
	// the marks are.
	function times(u, list, axis, space, step) {
		const perSecond = plotsBox.clientWidth / (state.to - state.from);
		return list.map(function (s) {
			if ((state.to - s) * perSecond < 20) return ''; // it would be cut off
			if (step >= day / 4 && step < day) return asTime(s) === '12:00' ? asDay(s) : '';
			if (step >= 27 * day) return asMonth(s);
			if (step >= 7 * day) return asDate(s);
			if (step >= day || asTime(s) === '00:00') return asDay(s);
			return asTime(s);
		});
	}

	// breaks adds to the gaps of a line the time of which nothing is known.
	function breaks(u, q, gaps) {
		const at = (s) => Math.round(u.valToPos(s, 'x', true));
		const times = state.data.time_s;
		const more = state.data.unknown_s.filter(([from, to]) => inside.includes(q) || !times.some((t) => t > from && t < to));
		const all = gaps.concat(more.map(([from, to]) => [at(from), at(to)])).sort((a, b) => a[0] - b[0]);
		const joined = [];
		for (const g of all) {
			const tail = joined[joined.length - 1];
			if (tail && g[0] <= tail[1]) tail[1] = Math.max(tail[1], g[1]);
			else joined.push([g[0], g[1]]);
		}
		return joined;
	}

	// ground washes the paper where the surface met the dew point and hatches
	// it where nothing is known.
	function ground(u) {
		const c = u.ctx, { left, top, width, height } = u.bbox;
		const at = (s) => Math.min(left + width, Math.max(left, u.valToPos(s, 'x', true)));
		c.save();
		c.fillStyle = colour('--wash');
		for (const [from, to] of state.data.wet_s) c.fillRect(at(from), top, Math.max(1, at(to) - at(from)), height);
		c.strokeStyle = colour('--muted');
		c.lineWidth = uPlot.pxRatio;
		for (const [from, to] of state.data.unknown_s) hatch(c, at(from), top, at(to) - at(from), height);
		c.restore();
	}

	function hatch(c, x, y, w, h) {
		if (w < 1) return;
		const step = 6 * uPlot.pxRatio;
		c.save();
		c.beginPath();
		c.rect(x, y, w, h);
		c.clip();
		c.beginPath();
		for (let d = Math.floor((x - h) / step) * step; d < x + w; d += step) {
			c.moveTo(d, y + h);
			c.lineTo(d + h, y);
		}
		c.stroke();
		c.restore();
	}

	function say(c, text, x, y, fill, halo) {
		c.lineJoin = 'round';
		c.lineWidth = 3 * uPlot.pxRatio;
		c.strokeStyle = halo;
		c.strokeText(text, x, y);
		c.fillStyle = fill;
		c.fillText(text, x, y);
	}

	function pen(c) {
		c.font = small().replace('13px', 13 * uPlot.pxRatio + 'px');
		c.textBaseline = 'alphabetic';
		c.setLineDash([]);
	}

	// marks draws limits across, and writes on the wash for how long it was wet.
	function marks(u, d) {
		const c = u.ctx, r = uPlot.pxRatio, { left, top, width } = u.bbox;
		c.save();
		pen(c);
		for (const [v, text] of d.marks || []) {
			const y = u.valToPos(v, 'y', true);
			c.strokeStyle = colour('--water');
			c.lineWidth = r;
			c.setLineDash(v === 0 ? [] : [2 * r, 3 * r]);
			c.beginPath();
			c.moveTo(left, y);
			c.lineTo(left + width, y);
			c.stroke();
			c.setLineDash([]);
			c.textAlign = 'left';
			say(c, text, left + 4 * r, y - 4 * r, colour('--water'), colour('--paper'));
		}
		if (d.hours) hoursOnWash(u, c);
		c.restore();
	}

	// hoursOnWash writes how long each night condensed, and the range under it.
	// Where two would touch, the longer night keeps its label.
	function hoursOnWash(u, c) {
		const r = uPlot.pxRatio, { left, top, width } = u.bbox;
		if (u.valToPos(state.from + day, 'x', true) - u.valToPos(state.from, 'x', true) < 76 * r) return;
		const taken = [];
		c.textAlign = 'center';
		for (const n of state.data.nights.filter((n) => n.condensing_h && n.middle_s != null).sort((a, b) => b.condensing_h - a.condensing_h)) {
			const x = u.valToPos(n.middle_s, 'x', true);
			if (x < left + 36 * r || x > left + width - 36 * r || taken.some((t) => Math.abs(t - x) < 76 * r)) continue;
			taken.push(x);
			say(c, hours(n.condensing_h) + ' h', x, top + 14 * r, colour('--water'), colour('--wash'));
			say(c, t('{from} to {to}').replace('{from}', hours(n.condensing_low_h)).replace('{to}', hours(n.condensing_high_h)), x, top + 29 * r, colour('--water'), colour('--wash'));
		}
	}

	// labels names each line where it ends, apart from the others.
	function labels(u, d, lines) {
		const c = u.ctx, r = uPlot.pxRatio, { left, top, width, height } = u.bbox;
		const ends = [];
		lines.forEach(function ([q, name], i) {
			const values = u.data[i + 1];
			for (let k = values.length - 1; k >= 0; k--) if (values[k] != null) {
				ends.push({ text: names[q][0], name, x: Math.min(left + width, u.valToPos(u.data[0][k], 'x', true)), y: u.valToPos(values[k], 'y', true) });
				break;
			}
		});
		if (lines.length === 1) return; // its heading names it
		ends.sort((a, b) => a.y - b.y);
		// The uppermost stands over its line, the others under theirs.
		const least = 17 * r;
		ends.forEach((e, i) => { e.y += i === 0 ? -7 * r : 16 * r; });
		for (let i = ends.length - 1, floor = top + height - 4 * r; i >= 0; i--, floor -= least) ends[i].y = Math.min(ends[i].y, floor);
		for (let i = 0, roof = top + 12 * r; i < ends.length; i++, roof += least) ends[i].y = Math.max(ends[i].y, roof);
		c.save();
		pen(c);
		c.textAlign = 'right';
		for (const e of ends) say(c, e.text, e.x - 2 * r, e.y, colour(e.name), colour('--paper'));
		c.restore();
	}

	// ---- cursor and keys

	let selecting = false;
	function selected(u) {
		if (selecting || u.select.width < 5) return;
		selecting = true;
		const from = u.posToVal(u.select.left, 'x'), to = u.posToVal(u.select.left + u.select.width, 'x');
		for (const p of state.plots) p.setSelect({ left: 0, top: 0, width: 0, height: 0 }, false);
		requestAnimationFrame(() => { selecting = false; });
		zoom(from, to, true);
	}

	function moved(u) {
		if (u !== state.plots[0]) return;
		const i = u.cursor.idx;
		if (i == null || !state.data.time_s.length) return;
		cursorLine.textContent = sentence(i);
	}

	function sentence(i) {
		const parts = [];
		for (const q of ['surface_c', 'dew_point_c', 'margin_k', 'inside_rh_pct', 'line_current_ma']) {
			const values = state.data.values[q];
			if (!values) continue;
			const [name, unit, decimals] = names[q];
			parts.push(values[i] == null ? name + ' ' + t('unknown') : `${name} ${write(values[i], decimals)} ${unit}`);
		}
		return `${inFull(state.data.time_s[i])}: ${parts.join(', ')}`;
	}

	let at = null; // index of the keyboard's cursor
	function goTo(i) {
		const times = state.data.time_s;
		if (!times.length) return;
		at = Math.min(times.length - 1, Math.max(0, i));
		cursorLine.setAttribute('aria-live', 'polite');
		for (const u of state.plots) u.setCursor({ left: u.valToPos(times[at], 'x'), top: u.over.clientHeight / 2 }, u === state.plots[0]);
		cursorLine.textContent = sentence(at);
	}

	function step(by) {
		const times = state.data.time_s;
		let i = at == null || at >= times.length ? times.length - 1 : at;
		const aim = times[i] + by;
		const on = Math.sign(by);
		while (times[i + on] !== undefined && (aim - times[i + on]) * on >= 0) i += on;
		goTo(i);
	}

	plotsBox.addEventListener('keydown', function (e) {
		if (!state.data || e.ctrlKey || e.altKey || e.metaKey) return;
		const times = state.data.time_s;
		const middle = at != null && times[at] !== undefined ? times[at] : (state.from + state.to) / 2;
		const half = (state.to - state.from) / 2;
		const act = {
			ArrowLeft: () => goTo((at == null ? times.length : at) - 1),
			ArrowRight: () => goTo((at == null ? times.length - 2 : at) + 1),
			PageUp: () => step(-day),
			PageDown: () => step(day),
			Home: () => goTo(0),
			End: () => goTo(times.length - 1),
			'+': () => { at = null; zoom(middle - half / 2, middle + half / 2, true); },
			'-': () => { at = null; zoom(Math.max(first - day, middle - half * 2), Math.min(last + day, middle + half * 2), true); },
			Escape: back,
		}[e.key === '=' ? '+' : e.key];
		if (!act) return;
		e.preventDefault();
		act();
	});
	plotsBox.addEventListener('pointermove', () => cursorLine.setAttribute('aria-live', 'off'));

	// ---- the table of the same numbers

	function table() {
		const there = numbers.querySelector('.scroll');
		if (there.firstChild || !state.data) return;
		const quantities = Object.keys(names).filter((q) => state.data.values[q]);
		const sheet = document.createElement('table');
		const row = sheet.createTHead().insertRow();
		const cell = (parent, kind, text, scope) => {
			const c = document.createElement(kind);
			c.textContent = text;
			if (scope) c.scope = scope;
			parent.append(c);
		};
		cell(row, 'th', t('Time'), 'col');
		for (const q of quantities) cell(row, 'th', `${names[q][0]}, ${names[q][1]}`, 'col');
		const body = sheet.createTBody();
		state.data.time_s.forEach(function (s, i) {
			const r = body.insertRow();
			cell(r, 'th', inFull(s), 'row');
			for (const q of quantities) cell(r, 'td', write(state.data.values[q][i], 2));
		});
		there.append(sheet);
	}
	numbers.addEventListener('toggle', () => { if (numbers.open) table(); });

	// ---- following the page

	let width = 0;
	new ResizeObserver(function () {
		const now = plotsBox.clientWidth;
		if (!now || now === width) return;
		width = now;
		for (const u of state.plots) u.setSize({ width: now, height: u.height });
	}).observe(plotsBox);
	matchMedia('(prefers-color-scheme: dark)').addEventListener('change', () => { for (const u of state.plots) u.redraw(false); });

	load(home.from, home.to).catch(failed);
})();
