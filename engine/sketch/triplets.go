package sketch

// tripletGain is how many nats a line, and a note of it on average, must gain
// for thirds to be proposed.
const (
	tripletGain     = 6.0
	tripletGainNote = 0.3
)

// tripletsFit reports that thirds would explain the line far better.
func tripletsFit(notes []heardNote, in Input, o Options, without quantised) bool {
	o.Triplets = true
	with := quantise(notes, placesOf(in, o), in.SampleRate)
	gain := without.cost - with.cost
	return gain > tripletGain && gain > tripletGainNote*float64(len(notes))
}
