package walk

import (
	"context"
	"strings"

	"cuechoir/engine/job"
	"cuechoir/engine/voice"
	"cuechoir/internal/fault"
)

// dyes are the colours that the example's layers take, in the order told: the
// choir stays as it was sung.
var dyes = []struct {
	colour string
	layers []string
}{
	{"high-brass", []string{"trumpet", "horn-i", "horn-ii", "trombone"}},
	{"strings", []string{"violin", "viola", "cello", "contrabass"}},
	{"timpani", []string{"timpani"}},
	{"snare", []string{"snare"}},
	{"cymbal", []string{"cymbal"}},
}

// colour makes instruments of voices. What check says is of the voice, and
// stays.
func (w *walker) colour(context.Context) error {
	var words []string
	n := 0
	for _, d := range dyes {
		recipe, ok := voice.FindRecipe(d.colour)
		if !ok {
			return fault.New(fault.Unexpected, "the example asks for the colour %q, which is not there", d.colour)
		}
		for _, layer := range d.layers {
			if _, err := job.SetColour(w.f, layer, "colour "+layer+" "+d.colour, recipe.Lines); err != nil {
				return err
			}
			n++
		}
		words = append(words, d.colour)
	}
	w.step("colour", "%d layers become %s; the choir stays as sung", n, strings.Join(words, ", "))
	return nil
}
