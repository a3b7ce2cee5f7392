package picture

import (
	"fmt"
	"time"

	"cuechoir/internal/decoder"
)

// pace says how long reading the picture still takes, from its speed so far,
// and what a native ffmpeg would save where the embedded one is at work.
type pace struct {
	engine decoder.Engine
	now    func() time.Time
	began  time.Time
}

// nativeGain is how many times faster a native ffmpeg read H.264 of 720p and
// 1080p in the benchmarks of this package.
const nativeGain = 3

// A speed is known after a while, and short waits need no words.
const (
	paceAfter = 5 * time.Second
	paceFrom  = time.Minute
)

func newPace(e decoder.Engine, now func() time.Time) *pace {
	return &pace{engine: e, now: now, began: now()}
}

// what is the progress's text after done of total pictures.
func (p *pace) what(done, total int64) string {
	const plain = "reading the picture"
	spent := p.now().Sub(p.began)
	if spent < paceAfter || done <= 0 || total <= done {
		return plain
	}
	left := time.Duration(float64(spent) / float64(done) * float64(total-done))
	switch {
	case left < paceFrom:
		return plain
	case p.engine == decoder.Embedded:
		return fmt.Sprintf("%s: about %s more; with ffmpeg installed about %s", plain, minutes(left), minutes(left/nativeGain))
	}
	return fmt.Sprintf("%s: about %s more", plain, minutes(left))
}

// after is the note for a long wait that need not have been, or "".
func (p *pace) after() string {
	spent := p.now().Sub(p.began)
	if p.engine != decoder.Embedded || spent < paceFrom {
		return ""
	}
	return fmt.Sprintf("reading the picture took %s with the embedded decoder; with ffmpeg installed it would take about %s",
		minutes(spent), minutes(spent/nativeGain))
}

// minutes rounds up to whole minutes: an estimate holds no more.
func minutes(d time.Duration) string {
	return fmt.Sprintf("%d min", (d+time.Minute-1)/time.Minute)
}
