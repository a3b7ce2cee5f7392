package mix

import "cuechoir/internal/fault"

// bound is a value and what it may be.
type bound struct {
	name        string
	value       float64
	least, most float64
}

// within says which value is out of its bounds, if any.
func within(processor string, bounds ...bound) error {
	for _, b := range bounds {
		if !(b.value >= b.least && b.value <= b.most) {
			return outside(processor, b.name, b.value, b.least, b.most)
		}
	}
	return nil
}

func outside(processor, name string, value, least, most float64) error {
	return fault.New(fault.Usage, "%s: %s of %g is not between %g and %g", processor, name, value, least, most)
}
