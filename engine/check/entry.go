package check

import (
	"cuechoir/engine/pitch"
	"cuechoir/engine/timing"
)

// findLeads looks for hummed and soft consonants before notes that seem to begin
// without.
func (l *layer) findLeads() {
	after := l.in.Start
	for i := range l.notes {
		n := &l.notes[i]
		if !n.Legato && n.Attack == n.Onset {
			onset, before := n.Onset-l.in.Start, after-l.in.Start
			if at := timing.Hum(l.in.Samples, onset, before, n.LevelDB, l.in.SampleRate); at < onset {
				n.Attack, n.Onset, n.Murmur = at+l.in.Start, at+l.in.Start, at+l.in.Start
			} else if n.Murmur == n.Onset {
				n.Attack = l.in.Start + timing.Lead(l.in.Samples, onset, before, n.LevelDB, l.in.SampleRate)
			}
		}
		after = n.Offset
	}
}

// swell is where a note is heard to begin.
func (l *layer) swell(n pitch.Note) int64 {
	if n.Legato {
		return n.Onset
	}
	return l.in.Start + timing.Heard(l.in.Samples, n.Onset-l.in.Start, n.Offset-l.in.Start, l.in.SampleRate)
}
