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
  // A browser waits minutes on a network that only swallows, and gives up for
  // good on an answer that is not a stream, such as a proxy's: ask again.
  if (s >= 6 && performance.now() - asked > 6000) connect()
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
const near = () => (root.dataset.view === 'wall' ? Math.max(1, Math.min(innerHeight, innerWidth) / 600) : 1)
let source, asked
function connect() {
  const size = place ? `w=${Math.round(place.clientWidth / near())}&h=${Math.round(place.clientHeight / near()) || 260}` : ''
  asked = performance.now()
  source?.close()
  source = new EventSource(`api/events?view=${root.dataset.view}&${size}`)
  // What comes first is how things stand, which a daemon that hangs can still
  // tell: only what comes after it is news.
  let first = asked > last + 5000
  source.addEventListener('beat', heard)
  source.addEventListener('build', async e => {
    if (e.data === root.dataset.build) return
    const page = await fetch(location.href) // should it fail, this page stays and tries again
    if (page.ok && (await page.text()).includes(`data-build="${e.data}"`)) location.reload()
  })
  source.addEventListener('view', e => {
    const t = document.createElement('template')
    t.innerHTML = e.data
    for (const part of [...t.content.children]) {
      const old = document.getElementById(part.id)
      if (old) morph(old, part)
    }
    if (!first) heard()
    first = false
  })
  source.addEventListener('error', () => { first = true })
}
connect()
let resized
addEventListener('resize', () => {
  clearTimeout(resized)
  resized = setTimeout(connect, 500)
})

// Left on for weeks: the wall dims at night, by this screen's clock, and moves
// about a little, so that nothing burns in.
if (root.dataset.view === 'wall') {
  const rest = () => {
    const now = new Date(), m = now / 60000
    root.classList.toggle('night', now.getHours() >= 22 || now.getHours() < 6)
    root.style.setProperty('--aside', `${(0.6 * Math.sin(m / 7)).toFixed(2)}vmin`)
    root.style.setProperty('--down', `${(0.6 * Math.sin(m / 11)).toFixed(2)}vmin`)
  }
  rest()
  setInterval(rest, 60000)
}

const said = document.getElementById('said')
async function act(name, body, to) {
  const headers = { 'Content-Type': 'application/json' }
  let words = `${name}: done`, ok = false
  try {
    const r = await fetch(to ?? 'api/' + name, { method: 'POST', headers, body: JSON.stringify(body) })
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
  if (form.dataset.ask && !confirm(form.dataset.ask)) return
  const body = {}
  for (const f of form.elements) if (f.name) body[f.name] = f.type === 'checkbox' ? f.checked : f.value
  if (await act(form.dataset.act, body, form.getAttribute('action') ?? undefined)) form.reset()
})

document.addEventListener('change', async e => {
  if (e.target.dataset.fill && e.target.value) {
    const r = await fetch(`runs/${encodeURIComponent(e.target.value)}/job.toml`)
    if (r.ok) e.target.form[e.target.dataset.fill].value = await r.text()
  }
  if (e.target.type === 'file' && e.target.files[0]) e.target.form.job.value = await e.target.files[0].text()
})
