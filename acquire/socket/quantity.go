package socket

import "math"

// The independent inputs of a socket's figures.
const (
	bySense = iota
	byOhms
	byWarmth
	byPlate
	byCathode
	byScreen
	bySupply
	numInputs
)

// inputs are what a socket's figures are worked out from; a U of 0 is not stated.
type inputs [numInputs]Value

// quantity is a number with its sensitivity coefficient to each input (GUM
// 5.1.3, forward differentiation). Since it leads back to the inputs, figures
// that share one stay correlated as they should. The zero quantity is unknown.
type quantity struct {
	x     float64
	c     [numInputs]float64 // partial derivative by each input
	known bool
}

func (quantity) input(v Value, i int) quantity {
	if !v.Known {
		return quantity{}
	}
	q := exact(v.X)
	q.c[i] = 1
	return q
}

func (quantity) exact(x float64) quantity { return exact(x) }

// exact is a number without uncertainty.
func exact(x float64) quantity { return quantity{x: x, known: true} }

func (a quantity) plus(b quantity) quantity {
	return a.with(b, a.x+b.x, 1, 1)
}

func (a quantity) less(b quantity) quantity {
	return a.with(b, a.x-b.x, 1, -1)
}

func (a quantity) times(b quantity) quantity {
	return a.with(b, float64(a.x*b.x), b.x, a.x)
}

func (a quantity) over(b quantity) quantity {
	if b.x == 0 {
		return quantity{}
	}
	return a.with(b, a.x/b.x, 1/b.x, -a.x/b.x/b.x)
}

// with is x, whose partial derivatives by a and b are da and db (chain rule).
// Conversions of products, here and above, keep the compiler from fusing them
// with a later sum: all machines give the same bytes.
func (a quantity) with(b quantity, x, da, db float64) quantity {
	if !a.known || !b.known {
		return quantity{}
	}
	q := exact(x)
	for i := range q.c {
		q.c[i] = float64(da*a.c[i]) + float64(db*b.c[i])
	}
	return q
}

// value combines the inputs' uncertainties (GUM eq. 10).
func (a quantity) value(in *inputs) Value {
	if !a.known {
		return Value{}
	}
	v := Value{X: a.x, Known: true}
	var sum float64
	for i, c := range a.c {
		if c == 0 {
			continue
		}
		if in[i].U == 0 {
			return v
		}
		t := c * in[i].U
		sum += float64(t * t)
	}
	v.U = math.Sqrt(sum)
	return v
}
