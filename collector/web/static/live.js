// Keeps a page as new as what is stored: when the server says that something
// changed, the page is fetched anew and its parts marked data-live are put in the
// place of those shown. Without it a page is whole and as old as its loading.
(function () {
	'use strict';

	const words = JSON.parse(document.getElementById('words').textContent);
	const t = (text) => words[text] || text;

	if (!window.EventSource || !document.querySelector('[data-live]')) return;

	const rest = 15000; // ms between two fetches
	const stale = 300000; // ages in words grow old without any change
	let fetched = Date.now() - rest; // the first change is shown at once
	let wanted = false;
	let timer = 0;

	const state = document.createElement('p');
	state.className = 'small';
	state.setAttribute('role', 'status');
	document.querySelector('header.page').append(state);

	// What somebody is at is left alone.
	const busy = (part) => part.contains(document.activeElement) && document.activeElement.matches('input, select, textarea, button');

	function put(text) {
		const fresh = new DOMParser().parseFromString(text, 'text/html');
		for (const part of document.querySelectorAll('[data-live]')) {
			const next = fresh.getElementById(part.id);
			if (!next || busy(part) || next.isEqualNode(part)) continue;
			const open = new Set([...part.querySelectorAll('details[open][id]')].map((d) => d.id));
			for (const d of next.querySelectorAll('details[id]')) d.open = open.has(d.id);
			const focus = part.contains(document.activeElement) && document.activeElement.getAttribute('href');
			part.replaceWith(next);
			if (focus) {
				const again = [...next.querySelectorAll('a')].find((a) => a.getAttribute('href') === focus);
				if (again) again.focus({ preventScroll: true });
			}
		}
	}

	async function refresh() {
		timer = 0;
		if (document.hidden) {
			wanted = true;
			return;
		}
		wanted = false;
		fetched = Date.now();
		try {
			const answer = await fetch(location.href, { headers: { Accept: 'text/html' } });
			if (!answer.ok || answer.redirected) throw new Error(String(answer.status));
			put(await answer.text());
			state.textContent = '';
		} catch {
			state.textContent = t('The collector did not answer. What stands here is from before.');
		}
	}

	function soon() {
		if (!timer) timer = setTimeout(refresh, Math.max(0, fetched + rest - Date.now()));
	}

	const made = document.querySelector('main[data-state]');
	const events = new EventSource('/live' + (made && made.dataset.state ? '?seen=' + made.dataset.state : ''));
	events.addEventListener('changed', soon);
	events.addEventListener('open', () => {
		if (state.textContent) soon();
	});
	events.addEventListener('error', () => {
		if (Date.now() - fetched > rest) soon();
	});
	document.addEventListener('visibilitychange', () => {
		if (!document.hidden && (wanted || Date.now() - fetched > stale)) soon();
	});
	setInterval(() => {
		if (Date.now() - fetched > stale) soon();
	}, 60000);
})();
