package socket

// number is what the figures are worked out in: quantity, or figure.
type number[N any] interface {
	input(v Value, i int) N // input i
	exact(x float64) N      // a number without uncertainty
	plus(N) N
	less(N) N
	times(N) N
	over(N) N // unknown where the divisor is 0: no resistor, no limit
}

// figure is a number that does not lead back to the inputs, and costs next to
// nothing. The zero figure is unknown.
type figure struct {
	x     float64
	known bool
}

func (figure) input(v Value, _ int) figure { return figure{v.X, v.Known} }
func (figure) exact(x float64) figure      { return figure{x, true} }
func (a figure) plus(b figure) figure      { return figure{a.x + b.x, a.known && b.known} }
func (a figure) less(b figure) figure      { return figure{a.x - b.x, a.known && b.known} }
func (a figure) times(b figure) figure     { return figure{float64(a.x * b.x), a.known && b.known} }
func (a figure) over(b figure) figure      { return figure{a.x / b.x, a.known && b.known && b.x != 0} }

func (a figure) value() Value {
	if !a.known {
		return Value{}
	}
	return Value{X: a.x, Known: true}
}
