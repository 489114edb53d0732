package trend

import "math"

// Cusum is the two-sided tabular cumulative sum chart of standardised figures
// (Page 1954; Montgomery, Introduction to Statistical Quality Control, chapter
// 9): K is the allowance, half the shift to be found, and H the decision
// interval, both in standard deviations. Up and Down are the sums as they
// stand, UpRun and DownRun the numbers of figures since each was last zero
// (Montgomery's N+ and N-): the change is dated to before them.
type Cusum struct {
	K, H           float64
	Up, Down       float64
	UpRun, DownRun int
}

// Add takes the next figure, in standard deviations from the mean, and says
// which sums exceed H. They run on until they are set to zero. A figure that is
// not finite is passed over.
func (c *Cusum) Add(z float64) (up, down bool) {
	if finite(z) {
		c.Up, c.UpRun = accumulate(c.Up+z-c.K, c.UpRun)
		c.Down, c.DownRun = accumulate(c.Down-z-c.K, c.DownRun)
	}
	return c.Up > c.H, c.Down > c.H
}

func accumulate(sum float64, run int) (float64, int) {
	if sum > 0 {
		return sum, run + 1
	}
	return 0, 0
}

// Ewma is the exponentially weighted moving average chart of standardised
// figures (Roberts 1959; Montgomery, chapter 9): Lambda, in (0, 1], is the
// weight of the newest and L the width of the limits in standard deviations of
// Z, the average as it stands. The limits are exact: they open from the first
// figure on as the average's variance grows. With Asymptotic they are what
// they end in, λ/(2-λ), from the start, as the tables of run lengths have it
// (Lucas & Saccucci 1990).
type Ewma struct {
	Lambda, L, Z float64
	Asymptotic   bool
	variance     float64
}

// Add takes the next figure, in standard deviations from the mean, and says
// whether the average is beyond its limits. A figure that is not finite is
// passed over.
func (e *Ewma) Add(z float64) (out bool) {
	if finite(z) {
		rest := 1 - e.Lambda
		e.Z = float64(e.Lambda*z) + float64(rest*e.Z)
		e.variance = square(e.Lambda) + float64(square(rest)*e.variance)
	}
	return math.Abs(e.Z) > e.Limit()
}

// Limit is how far from zero Z may be now.
func (e *Ewma) Limit() float64 {
	v := e.variance
	if e.Asymptotic {
		v = e.Lambda / (2 - e.Lambda)
	}
	return e.L * math.Sqrt(v)
}
