// The page arrives with its figures in it; this keeps them fresh and posts acts.
const root = document.documentElement
const stale = document.getElementById('stale')
const silent = document.getElementById('silent')
let last = performance.now()

// A dead man's handle: the style sheet shows the "out of date" sheet by itself
// 5 s after load. Only news winds it back, so a broken script shows it too.
function heard() {
  last = performance.now()
  silent.textContent = ''
  for (const a of stale.getAnimations()) {
    a.currentTime = 0
    a.play()
  }
}
setInterval(() => {
  const s = Math.floor((performance.now() - last) / 1000)
  if (s >= 5) silent.textContent = s < 120 ? ` for ${s} s` : ` for ${Math.floor(s / 60)} min`
}, 1000)

// Makes node a like node b in place, so that focus and half-filled fields stay.
function morph(a, b) {
  if (a.nodeName !== b.nodeName || a.dataset?.key !== b.dataset?.key) return a.replaceWith(b)
  if (a.nodeType !== Node.ELEMENT_NODE) {
    if (a.data !== b.data) a.data = b.data
    return
  }
  // Whether a fold is open is the reader's affair.
  for (const { name } of [...a.attributes]) if (!b.hasAttribute(name) && name !== 'open') a.removeAttribute(name)
  for (const { name, value } of b.attributes) if (a.getAttribute(name) !== value) a.setAttribute(name, value)
  const have = [...a.childNodes], want = [...b.childNodes]
  want.forEach((c, i) => (i < have.length ? morph(have[i], c) : a.append(c)))
  have.slice(want.length).forEach(c => c.remove())
}

// The trace is drawn for its place; on the wall larger, as it is read from afar.
const place = document.getElementById('trace')
const near = root.dataset.view === 'wall' ? Math.max(1, Math.min(innerHeight, innerWidth) / 800) : 1
const size = place ? `w=${Math.round(place.clientWidth / near)}&h=${Math.round(place.clientHeight / near) || 260}` : ''
const source = new EventSource(`/api/events?view=${root.dataset.view}&${size}`)
source.addEventListener('beat', heard)
source.addEventListener('build', e => {
  if (e.data !== root.dataset.build) location.reload()
})
source.addEventListener('view', e => {
  const t = document.createElement('template')
  t.innerHTML = e.data
  for (const part of [...t.content.children]) {
    const old = document.getElementById(part.id)
    if (old) morph(old, part)
  }
  heard()
})
// A browser gives up for good on an answer that is not a stream: ask again.
source.addEventListener('error', () => {
  if (source.readyState === EventSource.CLOSED) setTimeout(() => location.reload(), 5000)
})

const said = document.getElementById('said')
async function act(name, body) {
  const headers = { 'Content-Type': 'application/json' }
  const token = sessionStorage.getItem('token')
  if (token) headers.Authorization = 'Bearer ' + token
  let words = `${name}: done`, ok = false
  try {
    const r = await fetch('/api/' + name, { method: 'POST', headers, body: JSON.stringify(body) })
    const answer = await r.json()
    ok = r.ok && answer.ok
    if (!r.ok) words = `${name}: ${answer.error}`
    else if (answer.text) words = `${name}: ${answer.text}`
  } catch (e) {
    words = `${name}: not sent: ${e.message}`
  }
  said.textContent = words
  said.className = ok ? '' : 'medium'
  return ok
}

document.addEventListener('click', e => {
  const b = e.target.closest('button[data-act]')
  if (!b) return
  const { act: name, ...body } = b.dataset
  if (name === 'shelve') body.for = b.parentElement.querySelector('select').value
  act(name, body)
})

document.addEventListener('submit', async e => {
  e.preventDefault()
  const form = e.target
  if ('token' in form.dataset) {
    sessionStorage.setItem('token', form.token.value)
    said.textContent = 'token: kept until this tab closes'
    return
  }
  if (form.dataset.ask && !confirm(form.dataset.ask)) return
  const body = {}
  for (const f of form.elements) if (f.name) body[f.name] = f.type === 'checkbox' ? f.checked : f.value
  if (await act(form.dataset.act, body)) form.reset()
})

document.addEventListener('change', async e => {
  if (e.target.dataset.fill && e.target.value) {
    const r = await fetch(`runs/${encodeURIComponent(e.target.value)}/job.toml`)
    if (r.ok) e.target.form[e.target.dataset.fill].value = await r.text()
  }
  if (e.target.type === 'file' && e.target.files[0]) e.target.form.job.value = await e.target.files[0].text()
})
