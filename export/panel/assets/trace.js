// The trace comes drawn; this asks for another when it is dragged, zoomed or
// stepped through, and for the figures at the place that is pointed at.
const least = 10 // seconds, the shortest stretch shown
const wait = 5000 // between two looks at a run that goes on

const scope = () => document.getElementById('scope')
const figure = () => document.getElementById('trace')
if (scope()?.dataset.run !== undefined) begin()

function begin() {
  let cursor = null // run time that is read
  let asked = '' // the query last asked for
  let next = null, busy = false // one request at a time, then the newest
  let nextRead = null, reading = false
  let down = new Map(), held = null, moved = false

  // What is shown, in seconds.
  const seen = () => {
    const d = scope().dataset
    return { from: +d.from, to: +d.to, end: Math.max(+d.end, least), left: +d.left, right: +d.right, wide: +d.wide, live: 'live' in d }
  }
  const pixels = () => {
    const s = seen(), r = figure().firstElementChild.getBoundingClientRect(), k = r.width / s.wide
    return { x0: r.left + s.left * k, width: (s.right - s.left) * k }
  }
  const timeAt = x => {
    const s = seen(), p = pixels()
    return s.from + Math.min(Math.max((x - p.x0) / p.width, 0), 1) * (s.to - s.from)
  }
  const query = () => new URLSearchParams(scope().dataset.query)

  async function ask(q) {
    next = q
    if (busy) return
    busy = true
    while (next) {
      const q = next
      next = null
      await draw(q)
    }
    busy = false
  }
  async function draw(q) {
    const d = scope().dataset, f = figure(), p = new URLSearchParams(q)
    p.set('run', d.run)
    if (d.up) p.set('up', '1')
    p.set('w', Math.round(f.clientWidth))
    p.set('h', innerHeight < 500 ? 220 : f.clientWidth < 600 ? 300 : 360)
    let html
    try {
      const r = await fetch(d.up + 'trace?' + p)
      if (!r.ok) return
      html = await r.text()
    } catch {
      return // the page says by itself that it is out of date
    }
    const t = document.createElement('template')
    t.innerHTML = html
    const part = t.content.getElementById('scope')
    if (!part?.querySelector('svg') || !scope()) return
    asked = q.toString()
    // The figure stays: a drag and the focus are on it.
    const to = scope()
    for (const { name, value } of part.attributes) to.setAttribute(name, value)
    if (!part.hasAttribute('data-live')) to.removeAttribute('data-live')
    f.replaceChildren(...part.querySelector('#trace').childNodes)
    swap('.span', part)
    swap('.marks', part)
    links(part)
    mark()
  }
  function swap(what, part) {
    const old = scope().querySelector(what), now = part.querySelector(what)
    if (old && now) { if (old.outerHTML !== now.outerHTML) old.replaceWith(now) }
    else if (old) old.remove()
    else if (now) scope().append(now)
  }
  // Links keep their place, so that one that has the focus keeps it.
  function links(part) {
    const have = scope().querySelector('.looks'), now = part.querySelector('.looks')
    const i = [...have.querySelectorAll('a, .none')].indexOf(document.activeElement)
    if (have.outerHTML === now.outerHTML) return
    have.replaceWith(now)
    const f = i >= 0 && now.querySelectorAll('a, .none')[i]
    if (f) f.tabIndex < 0 ? figure().focus() : f.focus()
  }

  // Shows a stretch; one that reaches the end of a run that goes on follows it.
  function show(from, to) {
    const s = seen(), q = query()
    let span = Math.min(Math.max(to - from, least), s.end)
    from = Math.min(Math.max(from, 0), s.end - span)
    to = from + span
    for (const k of ['from', 'to', 'last']) q.delete(k)
    if (from > 0 || to < s.end) {
      if (s.live && to >= s.end) q.set('last', span.toFixed(3))
      else { q.set('from', from.toFixed(3)); q.set('to', to.toFixed(3)) }
    }
    go(q)
  }
  function go(q) {
    history.replaceState(null, '', location.pathname + (q.toString() ? '?' + q : ''))
    ask(q)
  }
  function zoom(factor, t) {
    const s = seen(), span = Math.min(Math.max((s.to - s.from) * factor, least), s.end)
    const from = t - (t - s.from) / (s.to - s.from) * span
    show(from, from + span)
  }
  function pan(share) {
    const s = seen(), d = share * (s.to - s.from)
    const by = Math.min(Math.max(d, -s.from), s.end - s.to)
    if (by) show(s.from + by, s.to + by)
  }

  // The cursor: a line at the time that is read.
  const line = document.createElement('i')
  line.className = 'cursor'
  line.hidden = true
  function mark() {
    const s = seen(), f = figure()
    if (line.parentNode !== f) f.append(line)
    line.hidden = cursor === null || cursor < s.from || cursor > s.to
    if (line.hidden) return
    const p = pixels()
    line.style.left = p.x0 - f.getBoundingClientRect().left + (cursor - s.from) / (s.to - s.from) * p.width + 'px'
  }
  // What stands within some pixels of it is read: a finger is no needle.
  let within = 1
  async function read(t, near = 1) {
    cursor = t
    within = near
    mark()
    nextRead = t
    if (reading) return
    reading = true
    while (nextRead !== null) {
      const s = seen(), half = within * (s.to - s.from) / pixels().width, q = query()
      const t = Math.min(Math.max(nextRead, half), s.end - half)
      nextRead = null
      q.set('run', scope().dataset.run)
      q.set('from', (t - half).toFixed(3))
      q.set('to', (t + half).toFixed(3))
      q.delete('last')
      try {
        const r = await fetch(scope().dataset.up + 'trace/at?' + q)
        if (r.ok) document.getElementById('read').innerHTML = await r.text()
      } catch {}
    }
    reading = false
  }

  const f = figure()
  f.tabIndex = 0
  f.setAttribute('role', 'application')
  f.addEventListener('wheel', e => {
    const s = seen()
    if (e.ctrlKey || e.deltaX && Math.abs(e.deltaX) > Math.abs(e.deltaY)) {
      if (!e.ctrlKey) { e.preventDefault(); pan(e.deltaX / pixels().width); return }
    } else if (e.deltaY > 0 && s.from <= 0 && s.to >= s.end) return // nothing wider: the page scrolls
    e.preventDefault()
    zoom(Math.exp(Math.min(Math.max(e.deltaY, -300), 300) / 400), timeAt(e.clientX))
  }, { passive: false })
  f.addEventListener('pointerdown', e => {
    if (e.button) return
    down.set(e.pointerId, e.clientX)
    f.setPointerCapture(e.pointerId)
    moved = moved && down.size > 1
    hold()
  })
  // Where the fingers are belongs to these times, until they let go.
  function hold() {
    const s = seen()
    held = { ...s, ...pixels(), at: [...down.values()] }
  }
  f.addEventListener('pointermove', e => {
    if (!down.has(e.pointerId)) {
      if (e.pointerType === 'mouse') read(timeAt(e.clientX))
      return
    }
    down.set(e.pointerId, e.clientX)
    const at = [...down.values()], t = x => held.from + (x - held.x0) / held.width * (held.to - held.from)
    if (at.length === 1) {
      const by = t(held.at[0]) - t(at[0])
      if (!moved && Math.abs(at[0] - held.at[0]) < 4) return
      moved = true
      const from = Math.min(Math.max(held.from + by, 0), held.end - (held.to - held.from))
      show(from, from + held.to - held.from)
    } else if (at.length === 2) {
      moved = true
      const apart = Math.max(Math.abs(held.at[1] - held.at[0]), 8), now = Math.max(Math.abs(at[1] - at[0]), 8)
      const span = Math.min(Math.max((held.to - held.from) * apart / now, least), held.end)
      const middle = t((held.at[0] + held.at[1]) / 2), x = ((at[0] + at[1]) / 2 - held.x0) / held.width
      show(middle - x * span, middle - x * span + span)
    }
  })
  function up(e) {
    if (!down.delete(e.pointerId)) return
    if (!down.size) {
      if (!moved && e.type === 'pointerup') read(timeAt(e.clientX), e.pointerType === 'touch' ? 5 : 1)
      moved = false
    } else hold()
  }
  f.addEventListener('pointerup', up)
  f.addEventListener('pointercancel', up)
  f.addEventListener('keydown', e => {
    if (e.ctrlKey || e.metaKey || e.altKey) return
    const s = seen(), step = (s.to - s.from) / pixels().width
    const t = cursor !== null && cursor >= s.from && cursor <= s.to ? cursor : s.from + (s.to - s.from) / 2
    const reads = d => {
      const to = Math.min(Math.max(t + d, 0), s.end)
      if (to < s.from || to > s.to) pan(d < 0 ? -.25 : .25)
      read(to)
    }
    const does = {
      ArrowLeft: () => (e.shiftKey ? pan(-.25) : reads(-step)),
      ArrowRight: () => (e.shiftKey ? pan(.25) : reads(step)),
      PageUp: () => reads(-50 * step),
      PageDown: () => reads(50 * step),
      Home: () => reads(s.from - t),
      End: () => reads(s.to - t),
      '+': () => zoom(.5, t),
      '=': () => zoom(.5, t),
      '-': () => zoom(2, t),
      '0': () => show(0, s.end),
    }[e.key]
    if (!does) return
    e.preventDefault()
    does()
  })
  // A link on it is a step, not another page.
  document.addEventListener('click', e => {
    const a = e.target.closest('#scope a')
    if (!a || e.ctrlKey || e.metaKey || e.shiftKey) return
    e.preventDefault()
    go(new URLSearchParams(a.getAttribute('href')))
  })
  let wide = 0
  new ResizeObserver(() => {
    if (f.clientWidth === wide) return
    wide = f.clientWidth
    ask(query())
  }).observe(f)
  setInterval(() => {
    const s = seen()
    if (!document.hidden && s.live && !busy && !down.size && s.to >= s.end) ask(query())
  }, wait)
}
