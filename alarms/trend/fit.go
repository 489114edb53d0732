package trend

import (
	"errors"
	"math"
)

// MaxParameters is the most that a Model can have.
const MaxParameters = 4

// Model says by how much point i differs from the model with parameters b
// (observed minus fitted), and how the fitted figure answers to each of them.
type Model func(i int, b, gradient *[MaxParameters]float64) (residual float64)

// Fit is a least-squares fit: the parameters with their standard deviations,
// the residual sum of squares and the residual standard deviation, all by the
// linear theory about the solution (Bates & Watts 1988, section 2.3).
type Fit struct {
	B, SD           [MaxParameters]float64
	RSS, ResidualSD float64
}

// What a fit can fail of.
var (
	ErrFitSize       = errors.New("fit: takes 1 to 4 parameters and more points than parameters")
	ErrFitRange      = errors.New("fit: the misfit at the start is not finite: mend the points or start nearer")
	ErrFitSingular   = errors.New("fit: the points do not determine every parameter: give it fewer, or points further apart")
	ErrNoConvergence = errors.New("fit: no convergence: start nearer to the solution")
)

// Fitter fits; it keeps its working store between calls, so it allocates only
// while growing. Use one per goroutine. The zero value is ready.
type Fitter struct {
	col             [MaxParameters + 1][]float64 // the columns of the Jacobian, then the residuals
	b, trial, slope [MaxParameters]float64       // here, for the model takes their addresses

	t, y, g, tg []float64 // of Curve: time before the last point, figure less its mean, exponential, time times that
	mean        float64
	grid        [gridSize]candidate
}

// triangle is the factor R of the Jacobian J = QR, its last column Qᵀr.
type triangle [MaxParameters][MaxParameters + 1]float64

// Fit minimises the sum of squares of n residuals from start on.
//
// The method is Levenberg and Marquardt's in the form of Moré (1978): the
// trust region is scaled by the largest norms that the Jacobian's columns have
// had, and the damping follows the ratio of gained to promised reduction
// (Nielsen 1999, Damping parameter in Marquardt's method, IMM-REP-1999-05). The
// Jacobian is factored by modified Gram-Schmidt with the residuals as a last
// column, which is as stable as Householder's QR (Björck 1967; Björck & Paige
// 1992): its normal equations are never formed.
//
// It has converged when the residuals are orthogonal to the tangent plane:
// their part within it, which is what a linear model could still gain, is under
// 1e-10 of their length (the relative offset of Bates & Watts 1981), or when a
// hardly damped step is lost in the rounding of the parameters.
func (f *Fitter) Fit(n int, start []float64, model Model) (Fit, error) {
	k := len(start)
	if k < 1 || k > MaxParameters || n <= k {
		return Fit{}, ErrFitSize
	}
	f.b = [MaxParameters]float64{}
	copy(f.b[:], start)
	rss := f.evaluate(n, k, &f.b, model)
	r := f.factor(k)
	if !finite(rss) || !r.finite(k) {
		return Fit{}, ErrFitRange
	}
	var scale [MaxParameters]float64
	r.widen(k, &scale)
	damping, raise := 1e-3, 2.0
	for try := 0; try < 200 && damping < 1e20; try++ {
		offset := r.gain(k, nil)
		if offset <= 1e-20*rss {
			return f.result(n, k, rss, &r)
		}
		step, ok := r.step(k, damping, &scale)
		if !ok {
			return Fit{}, ErrFitSingular
		}
		var moved, size float64
		for j := range k {
			f.trial[j] = f.b[j] + step[j]
			moved += square(scale[j] * step[j])
			size += square(scale[j] * f.b[j])
		}
		if moved <= 1e-30*size && damping <= 1 {
			return f.result(n, k, rss, &r)
		}
		if moved > 4*size && size > 0 {
			// Further than the linear model can be trusted: from BoxBOD's first
			// start it leads onto a plain without end.
			damping *= raise
			raise *= 2
			continue
		}
		promised := r.gain(k, &step)
		now := f.evaluate(n, k, &f.trial, model)
		next := f.factor(k)
		better := now < rss && next.finite(k)
		if offset <= 1e-13*rss {
			// The sum of squares no longer tells, to its last digit.
			if better = next.gain(k, nil) < offset; !better {
				return f.result(n, k, rss, &r)
			}
		}
		if better {
			q := 2*(rss-now)/promised - 1
			damping *= min(max(1.0/3, 1-float64(q*q*q)), 2)
			raise = 2
			f.b, rss, r = f.trial, now, next
			r.widen(k, &scale)
			continue
		}
		damping *= raise
		raise *= 2
	}
	return Fit{}, ErrNoConvergence
}

// evaluate fills the columns at b and returns the residual sum of squares.
func (f *Fitter) evaluate(n, k int, b *[MaxParameters]float64, model Model) (rss float64) {
	for j := range f.col {
		f.col[j] = grow(f.col[j], n)
	}
	for i := range n {
		r := model(i, b, &f.slope)
		for j := range k {
			f.col[j][i] = f.slope[j]
		}
		f.col[k][i] = r
		rss += float64(r * r)
	}
	return rss
}

// factor orthogonalises the columns in place.
func (f *Fitter) factor(k int) (r triangle) {
	for j := range k {
		a := f.col[j]
		norm := math.Sqrt(dot(a, a))
		r[j][j] = norm
		if norm == 0 {
			continue
		}
		for i := range a {
			a[i] /= norm
		}
		for l := j + 1; l <= k; l++ {
			c := f.col[l]
			along := dot(a, c)
			r[j][l] = along
			for i, x := range a {
				c[i] -= float64(along * x)
			}
		}
	}
	return r
}

// widen raises scale to the norms of the columns.
func (r *triangle) widen(k int, scale *[MaxParameters]float64) {
	for j := range k {
		scale[j] = max(scale[j], r.norm(j))
	}
}

// norm is that of column j of the Jacobian.
func (r *triangle) norm(j int) float64 {
	var sum float64
	for i := range j + 1 {
		sum += square(r[i][j])
	}
	return math.Sqrt(sum)
}

func (r *triangle) finite(k int) bool {
	for j := range k {
		if !finite(r.norm(j)) || !finite(r[j][k]) {
			return false
		}
	}
	return true
}

// gain is by how much the linear model says that step brings the sum of squares
// down; without a step, what the best one would.
func (r *triangle) gain(k int, step *[MaxParameters]float64) (sum float64) {
	for i := range k {
		sum += square(r[i][k])
		if step != nil {
			left := r[i][k]
			for j := i; j < k; j++ {
				left -= float64(r[i][j] * step[j])
			}
			sum -= square(left)
		}
	}
	return sum
}

// step solves min |R x - Qᵀr|² + damping |D x|²: the rows of the damping are
// rotated into R one by one (Givens), as in Moré's.
func (r *triangle) step(k int, damping float64, scale *[MaxParameters]float64) (x [MaxParameters]float64, ok bool) {
	a := *r
	root := math.Sqrt(damping)
	for j := range k {
		var row [MaxParameters + 1]float64
		row[j] = float64(root * scale[j])
		for i := j; i < k; i++ {
			h := math.Sqrt(square(a[i][i]) + square(row[i]))
			if h == 0 {
				return x, false
			}
			c, s := a[i][i]/h, row[i]/h
			for l := i; l <= k; l++ {
				a[i][l], row[l] = float64(c*a[i][l])+float64(s*row[l]), float64(c*row[l])-float64(s*a[i][l])
			}
		}
	}
	for i := k - 1; i >= 0; i-- {
		sum := a[i][k]
		for j := i + 1; j < k; j++ {
			sum -= float64(a[i][j] * x[j])
		}
		x[i] = sum / a[i][i]
	}
	return x, true
}

// result adds what is told of a solution: the covariance is s² (RᵀR)⁻¹, so a
// standard deviation is s times the norm of a row of the inverse of R.
func (f *Fitter) result(n, k int, rss float64, r *triangle) (Fit, error) {
	out := Fit{B: f.b, RSS: rss, ResidualSD: math.Sqrt(rss / float64(n-k))}
	var sum [MaxParameters]float64
	for col := range k {
		if r[col][col] <= 1e-13*r.norm(col) {
			return Fit{}, ErrFitSingular
		}
		var x [MaxParameters]float64 // this column of the inverse
		for i := col; i >= 0; i-- {
			if i == col {
				x[i] = 1
			}
			for j := i + 1; j <= col; j++ {
				x[i] -= float64(r[i][j] * x[j])
			}
			x[i] /= r[i][i]
			sum[i] += square(x[i])
		}
	}
	for j := range k {
		out.SD[j] = float64(out.ResidualSD * math.Sqrt(sum[j]))
	}
	return out, nil
}

func finite(x float64) bool { return math.Abs(x) <= math.MaxFloat64 }

func square(x float64) float64 { return float64(x * x) }

func dot(a, b []float64) (sum float64) {
	b = b[:len(a)]
	for i, x := range a {
		sum += float64(x * b[i])
	}
	return sum
}

// grow is s with length n, its content void.
func grow(s []float64, n int) []float64 {
	if cap(s) < n {
		return make([]float64, n)
	}
	return s[:n]
}
