package mixtest

import (
	"math"
	"math/rand/v2"
	"testing"

	"cuechoir/engine/mix"
)

// checkRate is the sample rate of the sounds below, in Hz.
const checkRate = 48000

// quietWithin bounds how long a processor may sound on in the check.
const quietWithin = 30 * checkRate

// CheckProcessor holds a processor to the contract of mix.Processor, over mono
// and stereo. open makes a fresh one each time. spreads says that two equal
// channels need not stay equal, as in a room.
func CheckProcessor(t TB, open func() mix.Processor, spreads bool) {
	t.Helper()
	for _, stereo := range []bool{false, true} {
		checkBlocks(t, open, stereo)
		checkSilence(t, open, stereo)
		checkExtremes(t, open, stereo)
		checkAllocations(t, open, stereo)
	}
	if !spreads {
		checkChannels(t, open)
	}
}

// sound is bursts of noise, tones, steps and silence; the right channel differs.
func sound() (left, right []float64) {
	r := rand.New(rand.NewPCG(11, 12))
	n := 3*checkRate/2 + 7
	left, right = make([]float64, n), make([]float64, n)
	for i := range left {
		switch sec := float64(i) / checkRate; {
		case sec < 0.1: // silence
		case sec < 0.3:
			left[i], right[i] = r.Float64()*2-1, (r.Float64()*2-1)/8
		case sec < 0.5:
			left[i], right[i] = 0.7*math.Sin(2*math.Pi*220*sec), 1.2*math.Sin(2*math.Pi*3100*sec)
		case sec < 0.6:
			left[i], right[i] = 0.5, -0.5
		case sec < 1.2: // silence
		default:
			left[i], right[i] = 0.01*math.Sin(2*math.Pi*7000*sec), 0.9*math.Sin(2*math.Pi*90*sec)
		}
	}
	return left, right
}

// run works through copies of the sound in blocks; right stays nil in mono.
func run(p mix.Processor, left, right []float64, block int, stereo bool) (l, r []float64) {
	l = append([]float64(nil), left...)
	if stereo {
		r = append([]float64(nil), right...)
	}
	for at := 0; at < len(l); at += block {
		end := min(at+block, len(l))
		if stereo {
			p.Process(l[at:end], r[at:end])
		} else {
			p.Process(l[at:end], nil)
		}
	}
	return l, r
}

func checkBlocks(t TB, open func() mix.Processor, stereo bool) {
	t.Helper()
	left, right := sound()
	wantL, wantR := run(open(), left, right, len(left), stereo)
	for _, block := range Blocks {
		p := open()
		p.Process(nil, nil) // an empty block
		l, r := run(p, left, right, block, stereo)
		for c, pair := range [2][2][]float64{{l, wantL}, {r, wantR}} {
			for i := range pair[0] {
				if math.Float64bits(pair[0][i]) != math.Float64bits(pair[1][i]) {
					t.Errorf("stereo %v, blocks of %d: channel %d, sample %d is %g, want %g", stereo, block, c, i, pair[0][i], pair[1][i])
					break
				}
			}
		}
	}
}

func checkSilence(t TB, open func() mix.Processor, stereo bool) {
	t.Helper()
	zero := make([]float64, 5000)
	l, r := run(open(), zero, zero, 479, stereo)
	for i, v := range append(l, r...) {
		if v != 0 {
			t.Errorf("stereo %v: sample %d of silence became %g", stereo, i, v)
			break
		}
	}
	p := open()
	left, right := sound()
	run(p, left, right, 479, stereo)
	quiet := 0
	for at := 0; quiet < len(zero); at += len(zero) {
		if at > quietWithin {
			t.Errorf("stereo %v: %d s of silence have not brought silence back", stereo, quietWithin/checkRate)
			return
		}
		quiet = 0
		l, r := run(p, zero, zero, 4096, stereo)
		for i, v := range append(l, r...) {
			if v != 0 && math.Abs(v) < 0x1p-1022 {
				t.Errorf("stereo %v: sample %d of the tail is the subnormal number %g", stereo, at+i, v)
				return
			}
			if v == 0 {
				quiet++
			} else {
				quiet = 0
			}
		}
	}
}

// extremes are sounds that break what is not stable.
func extremes() map[string]func(i int) float64 {
	r := rand.New(rand.NewPCG(13, 14))
	return map[string]func(i int) float64{
		"a thousand": func(int) float64 { return 1000 },
		"full turns": func(i int) float64 { return 1000 * float64(1-2*(i%2)) },
		"noise":      func(int) float64 { return 2000*r.Float64() - 1000 },
		"one crack":  func(i int) float64 { return 1000 * float64(1-min(i, 1)) },
		"tiny":       func(i int) float64 { return 1e-300 * float64(1-2*(i%2)) },
		"steps":      func(i int) float64 { return float64(i/997%3-1) * 500 },
	}
}

func checkExtremes(t TB, open func() mix.Processor, stereo bool) {
	t.Helper()
	for name, f := range extremes() {
		x := make([]float64, checkRate)
		for i := range x {
			x[i] = f(i)
		}
		l, r := run(open(), x, x, 4096, stereo)
		for i, v := range append(l, r...) {
			if !(math.Abs(v) <= 1e9) {
				t.Errorf("stereo %v, %s: sample %d became %g", stereo, name, i, v)
				break
			}
		}
	}
}

func checkAllocations(t TB, open func() mix.Processor, stereo bool) {
	t.Helper()
	p := open()
	const guard = 7.5
	l, r := make([]float64, 480), make([]float64, 480)
	work := func() {
		for i := range l {
			l[i], r[i] = 0.5*float64(1-2*(i%2)), 0.25
		}
		l[479], r[479] = guard, guard
		if stereo {
			p.Process(l[:479], r[:479])
		} else {
			p.Process(l[:479], nil)
		}
		if l[479] != guard || r[479] != guard {
			t.Errorf("stereo %v: what lies behind the block was changed", stereo)
		}
	}
	work() // the first block may still make room
	if n := testing.AllocsPerRun(20, work); n != 0 {
		t.Errorf("stereo %v: a block allocates %g times", stereo, n)
	}
}

// checkChannels: equal channels stay equal, and are what mono is.
func checkChannels(t TB, open func() mix.Processor) {
	t.Helper()
	x, _ := sound()
	mono, _ := run(open(), x, nil, 479, false)
	l, r := run(open(), x, x, 479, true)
	for i := range x {
		if l[i] != r[i] || l[i] != mono[i] {
			t.Errorf("sample %d of two equal channels is %g and %g, of mono %g", i, l[i], r[i], mono[i])
			return
		}
	}
}
