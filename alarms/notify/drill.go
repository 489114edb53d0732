package notify

import (
	"context"
	"time"

	"nightsoak/alarms"
)

// Drill tells every channel an alarm that has not happened, marked as a drill in
// title, text and event, on the way and with the delays of a real one; and waits
// until each has been taken or ctx is done. A channel that would not tell such an
// alarm now is not tried: its Trial has no Asked, and Err says why. Programs get
// it with event and kind "drill" and without an id, so that none takes it for real.
func (n *Notifier) Drill(ctx context.Context, e alarms.Event) []Trial {
	run := n.current()
	e.Event, e.ID, e.Seq = string(drill), "", 0
	for _, c := range n.channels {
		c.rehearse(run, e)
	}
	for {
		n.mu.Lock()
		told := n.told
		n.mu.Unlock()
		missing := false
		all := make([]Trial, len(n.channels))
		for i, c := range n.channels {
			all[i] = c.rehearsed()
			missing = missing || !all[i].Asked.IsZero() && all[i].Delivered.IsZero()
		}
		if !missing {
			return all
		}
		select {
		case <-told:
		case <-ctx.Done():
			return all
		case <-n.closing:
			return all
		}
	}
}

// rehearse queues a drill, if the channel would tell such an alarm now.
func (c *channel) rehearse(run Run, e alarms.Event) {
	c.mu.Lock()
	defer c.mu.Unlock()
	now := time.Now()
	c.drop(func(it *item) bool { return it.Kind == drill })
	it := item{Kind: drill, Run: run.ID, Ticket: run.Ticket, At: now, Due: now.Add(c.n.pace.company), Event: e}
	c.drilled = Trial{Channel: c.Name, Run: run.ID}
	switch {
	case it.rank() < alarms.Priority(c.AtLeast).Rank():
		c.drilled.Err = "tells only what is of " + c.AtLeast + " priority or more"
	case c.EscalateAfter > 0:
		c.drilled.Err = "tells only what nobody has acknowledged for " + c.EscalateAfter.String()
	case it.held(c.Quiet.Within(minuteOf(now))):
		c.drilled.Err = "has its quiet hours, and tells what is not high after them"
	default:
		c.drilled.Asked = now
		c.add(it)
		if o := c.s.Out; o != nil && e.Priority == alarms.High && o.Next.After(now.Add(c.n.pace.urgent)) {
			o.Next = now.Add(c.n.pace.urgent) // as a real one hurries what stands before it
		}
	}
}

// rehearsed is how the last drill stands.
func (c *channel) rehearsed() Trial {
	c.mu.Lock()
	defer c.mu.Unlock()
	t := c.drilled
	if t.Delivered.IsZero() && !t.Asked.IsZero() {
		t.Err = c.lastErr
	}
	return t
}
