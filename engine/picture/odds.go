package picture

import (
	_ "embed"
	"fmt"
	"math"
	"strings"
	"sync"
)

// Odds. Aim: of what was measured of some ends of a dissolve, how likely it is
// that there is one and both ends are right. Method: a perceptron with one hidden
// layer (Rumelhart, Hinton and Williams, "Learning representations by
// back-propagating errors", Nature 323, 1986), since what speaks for a dissolve
// depends on how well all the rest fits. TestLearnOdds learns it from made-up
// films and writes the file.

// oddsNet is such a perceptron.
type oddsNet struct {
	mean, scale []float64   // of what it is given
	hidden      [][]float64 // of each hidden unit: its constant, then a weight for each input
	out         []float64   // the constant, then a weight for each hidden unit
}

//go:embed odds.txt
var oddsText string

// dissolveOdds are the nets of odds.txt: of a first look at some ends, and of the
// last.
var dissolveOdds = sync.OnceValue(func() *[2]oddsNet {
	nets := &[2]oddsNet{}
	in := strings.NewReader(oddsText)
	for i := range nets {
		if err := nets[i].read(in); err != nil {
			panic(fmt.Errorf("odds.txt, net %d: %w", i, err)) // it is part of the program
		}
	}
	return nets
})

// read takes a net as write puts it.
func (n *oddsNet) read(in *strings.Reader) error {
	var inputs, units int
	if _, err := fmt.Fscan(in, &inputs, &units); err != nil {
		return err
	}
	numbers := func(count int) ([]float64, error) {
		v := make([]float64, count)
		for i := range v {
			if _, err := fmt.Fscan(in, &v[i]); err != nil {
				return nil, err
			}
		}
		return v, nil
	}
	var err error
	if n.mean, err = numbers(inputs); err != nil {
		return err
	}
	if n.scale, err = numbers(inputs); err != nil {
		return err
	}
	n.hidden = make([][]float64, units)
	for u := range n.hidden {
		if n.hidden[u], err = numbers(inputs + 1); err != nil {
			return err
		}
	}
	n.out, err = numbers(units + 1)
	return err
}

// write is the net as text.
func (n *oddsNet) write(out *strings.Builder) {
	fmt.Fprintln(out, len(n.mean), len(n.hidden))
	for _, row := range append(append([][]float64{n.mean, n.scale}, n.hidden...), n.out) {
		for i, v := range row {
			if i > 0 {
				out.WriteByte(' ')
			}
			fmt.Fprintf(out, "%.4g", v)
		}
		out.WriteByte('\n')
	}
}

// of is the logarithm of the odds.
func (n *oddsNet) of(x []float64) float64 {
	y := n.out[0]
	for u, w := range n.hidden {
		h := w[0]
		for i, v := range x {
			h += w[i+1] * max(-mostDeviant, min(mostDeviant, (v-n.mean[i])/n.scale[i]))
		}
		y += n.out[u+1] * math.Tanh(h)
	}
	return y
}

// mostDeviant is how many standard deviations an input counts at most.
const mostDeviant = 5
