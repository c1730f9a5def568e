// The form that is filled in at a station. What is typed stays on this device
// at once; pressing the button puts it into a queue under an id of its own; the
// queue is sent when the collector can be reached. The id makes that a form
// which is sent twice, because an answer was lost, is written down once.
'use strict'

const words = JSON.parse(document.getElementById('words').textContent)
const t = text => words[text] || text

const form = document.querySelector('#after')
const says = document.querySelector('#after-says')
const visit = form.dataset.visit
const draftKey = 'after-draft-' + visit
const queueKey = 'after-queue-' + visit
const pause = 20000 // ms until it is tried again

function say(text, bad) {
  says.textContent = text
  says.className = bad ? 'do' : ''
}

// read returns what is kept under a key, or instead.
function read(key, instead) {
  try {
    return JSON.parse(localStorage.getItem(key)) ?? instead
  } catch {
    return instead
  }
}

// keep tells whether this device could keep it.
function keep(key, value) {
  try {
    localStorage.setItem(key, JSON.stringify(value))
    return true
  } catch {
    return false
  }
}

function fields() {
  return [...form.elements].filter(e => e.name)
}

function saveDraft() {
  const draft = {}
  for (const e of fields()) draft[e.name + (e.type === 'checkbox' ? '=' + e.value : '')] = e.type === 'checkbox' ? e.checked : e.value
  if (!keep(draftKey, draft)) say(t('This device keeps nothing: write on paper too.'), true)
}

function loadDraft() {
  const draft = read(draftKey, {})
  for (const e of fields()) {
    const value = draft[e.name + (e.type === 'checkbox' ? '=' + e.value : '')]
    if (value === undefined) continue
    if (e.type === 'checkbox') e.checked = value
    else e.value = value
  }
}

// local writes an instant as datetime-local has it, on this device's clock.
function local(date) {
  const two = n => String(n).padStart(2, '0')
  return `${date.getFullYear()}-${two(date.getMonth() + 1)}-${two(date.getDate())}T${two(date.getHours())}:${two(date.getMinutes())}`
}

const instant = text => text ? new Date(text).toISOString().replace('.000Z', 'Z') : ''

// gather makes of the form what the API takes.
function gather() {
  const value = name => (form.elements[name]?.value ?? '').trim()
  const begun = instant(value('begun')), ended = instant(value('ended'))
  const found = {at: begun}
  for (const name of ['moisture', 'cover', 'gasket', 'coating']) if (value(name)) found[name] = value(name)
  if (value('water_ml')) found.water_ml = Number(value('water_ml'))
  for (const e of fields()) {
    if (e.name.startsWith('corrosion:') && e.value) (found.corrosion ??= {})[e.name.slice(10)] = e.value
  }
  const came = [], outcomes = []
  for (const e of form.querySelectorAll('[data-reason]')) {
    const why = value('why:' + e.dataset.reason), [kind, number] = e.dataset.reason.split('/')
    if (e.value) outcomes.push({kind, number: Number(number), outcome: e.value, at: ended, ...(why && {reason: why})})
    else if (why) came.push(e.dataset.reason + ': ' + why)
  }
  for (const name of ['standby_found', 'standby_closed', 'supply']) {
    if (value(name)) came.push(form.elements[name].dataset.says + ' ' + value(name))
  }
  if (value('note')) came.push(value('note'))
  if (came.length) found.note = came.join('\n')
  const out = {outcomes}
  if (Object.keys(found).length > 1) out.findings = [found]
  out.work = [...form.querySelectorAll('[name=work]:checked')].map(e => {
    const work = {code: e.value, at: ended}, start = 'detail:' + e.value + ':'
    for (const d of fields()) if (d.name.startsWith(start) && d.value.trim()) (work.details ??= {})[d.name.slice(start.length)] = d.value.trim()
    return work
  })
  out.parts = [...form.querySelectorAll('[data-lot]')].filter(e => Number(e.value) > 0).map(e => ({lot: Number(e.dataset.lot), quantity: Number(e.value)}))
  if (value('other_lot')) out.parts.push({lot: Number(value('other_lot')), quantity: Number(value('other_quantity') || 1)})
  if (form.elements.last_one?.checked) for (const p of out.parts) p.last_one_confirmed = true
  out.states = []
  if (form.dataset.ends === 'yes') {
    if (['planned', 'agreed'].includes(form.dataset.state)) out.states.push({state: 'under-way', at: begun})
    if (form.elements.done.checked) out.states.push({state: 'done', at: ended, ...(value('without_card') && {without_card: value('without_card')})})
  }
  for (const name of ['outcomes', 'work', 'parts', 'states']) if (!out[name].length) delete out[name]
  return out
}

// id makes a random UUID; crypto.randomUUID is there over TLS only.
function id() {
  const bytes = crypto.getRandomValues(new Uint8Array(16))
  bytes[6] = bytes[6] & 0x0f | 0x40
  bytes[8] = bytes[8] & 0x3f | 0x80
  return [...bytes].map((b, i) => ([4, 6, 8, 10].includes(i) ? '-' : '') + b.toString(16).padStart(2, '0')).join('')
}

let sending = false

async function send() {
  if (sending) return
  sending = true
  try {
    for (let queue = read(queueKey, []); queue.length; queue = read(queueKey, [])) {
      if (!await one(queue[0])) return
      keep(queueKey, read(queueKey, []).filter(q => q.form !== queue[0].form))
      localStorage.removeItem(draftKey)
      say(t('Written down. Visit {n} has it.').replace('{n}', visit))
      form.hidden = true
      if (window.caches) (await caches.open('after')).delete(location.pathname)
    }
  } finally {
    sending = false
  }
}

// one sends one form, and tells whether it is written down.
async function one(entry) {
  let answer
  try {
    answer = await fetch('/api/v1/visits/' + visit, {
      method: 'POST', headers: {'Content-Type': 'application/json'}, body: JSON.stringify(entry), redirect: 'error',
    })
  } catch {
    say(t('Kept on this device. It is sent when the collector can be reached; leave this page open, or open it again.'))
    setTimeout(send, pause)
    return false
  }
  if (answer.ok) return true
  const problem = await answer.json().catch(() => ({}))
  if (answer.status === 401 || answer.status === 403) {
    say(t('Kept on this device. Sign in again in this browser, then open this page: it is sent then.'), true)
  } else if (answer.status === 400 || answer.status === 404 || answer.status === 422) {
    // It can't be written down like this: back to who filled it in.
    keep(queueKey, read(queueKey, []).filter(q => q.form !== entry.form))
    say([problem.title, problem.field, problem.value && '“' + problem.value + '”', problem.fix].filter(Boolean).join(': ') + '. ' + t('Nothing was written down.'), true)
    form.hidden = false
  } else {
    say(t('Kept on this device. The collector could not take it just now; it is tried again.'), true)
    setTimeout(send, pause)
  }
  return false
}

// A finding is closed with a reason only.
function needReasons() {
  for (const e of form.querySelectorAll('[data-reason]')) form.elements['why:' + e.dataset.reason].required = e.value !== '' && e.value !== 'still-to-do'
}

form.addEventListener('input', saveDraft)
form.addEventListener('input', needReasons)
form.addEventListener('submit', event => {
  event.preventDefault()
  const queue = read(queueKey, [])
  const entry = {...gather(), form: id()}
  if (Object.keys(entry).length === 1) return say(t('Nothing is filled in yet.'), true)
  if (!keep(queueKey, [...queue, entry])) return say(t('This device keeps nothing: stay here until it is sent.'), true)
  form.hidden = true
  say(t('Sending.'))
  send()
})
window.addEventListener('online', send)
document.addEventListener('visibilitychange', () => document.hidden || send())

loadDraft()
needReasons()
for (const name of ['begun', 'ended']) if (form.elements[name] && !form.elements[name].value) form.elements[name].value = local(new Date())
if (read(queueKey, []).length) {
  form.hidden = true
  say(t('A form is kept on this device, and is being sent.'))
}
send()

// Without a worker, as over plain HTTP, the page works as long as it is open.
const opens = document.querySelector('#after-opens')
if (navigator.serviceWorker && window.caches) {
  navigator.serviceWorker.register('/visits/offline.js').then(async () => {
    await navigator.serviceWorker.ready
    const files = [...document.querySelectorAll('link[href], script[src]')].map(e => e.href || e.src)
    await (await caches.open('after')).addAll([location.pathname, ...files])
    opens.textContent = t('This page opens on this device without reception, too, until it is sent.')
    document.documentElement.dataset.offline = 'ready'
  }).catch(() => { opens.textContent = t('Leave this page open: it can’t be opened again without reception.') })
} else {
  opens.textContent = t('Leave this page open: it can’t be opened again without reception.')
}
