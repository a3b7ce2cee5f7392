package loudness

import "math"

// tone is a stretch of a 1 kHz sine: seconds, and a peak level in dBFS for
// each channel (one level serves all). The phase runs on between stretches.
type tone struct {
	seconds float64
	levels  []float64
}

func t1(seconds, level float64) tone { return tone{seconds, []float64{level}} }

var silence = math.Inf(-1)

func repeat(n int, of ...tone) []tone {
	var out []tone
	for range n {
		out = append(out, of...)
	}
	return out
}

// synth makes the interleaved signal of tones.
func synth(rate, channels, hz int, tones []tone) []float32 {
	total := 0.0
	for _, t := range tones {
		total += t.seconds
	}
	out := make([]float32, 0, (int(total*float64(rate))+1)*channels)
	n := 0
	end := 0.0
	period := make([]float64, rate) // one second: whole periods, as hz is a whole number
	for i := range period {
		period[i] = math.Sin(2 * math.Pi * math.Mod(float64(hz)*float64(i)/float64(rate), 1))
	}
	for _, t := range tones {
		end += t.seconds
		stop := int(math.Round(end * float64(rate)))
		amp := make([]float64, channels)
		for c := range amp {
			amp[c] = math.Pow(10, t.levels[c%len(t.levels)]/20)
		}
		for ; n < stop; n++ {
			v := period[n%rate]
			for c := range amp {
				out = append(out, float32(amp[c]*v))
			}
		}
	}
	return out
}

// peakTone is a stereo sine at rate/divisor with 10 ms raised-cosine ends.
func peakTone(rate int, divisor, degrees, amp float64) []float32 {
	n, fade := rate, rate/100
	out := make([]float32, 0, 2*n)
	for i := range n {
		v := amp * math.Sin(2*math.Pi*math.Mod(float64(i)/divisor, 1)+degrees*math.Pi/180)
		if e := min(i, n-1-i); e < fade {
			v *= 0.5 - 0.5*math.Cos(math.Pi*float64(e)/float64(fade))
		}
		out = append(out, float32(v), float32(v))
	}
	return out
}

// interSamplePeak is Tech 3341 cases 20 to 23: a sine of fs/6 at 0.5 with one
// period of fs/4 at 1.0 inside, phase-continuous, made at 4 fs, low-passed at
// fs/2 and decimated from the given offset.
func interSamplePeak(rate, offset int) []float32 {
	const over, half = 4, 511
	n := rate / 2 * over
	raw := make([]float64, n)
	low, high := 6*over, 4*over // periods in samples of 4 fs
	burst := n / 2 / low * low  // a whole number of periods: phase 0
	for i := range raw {
		switch {
		case i < burst:
			raw[i] = 0.5 * math.Sin(2*math.Pi*float64(i%low)/float64(low))
		case i < burst+high:
			raw[i] = math.Sin(2 * math.Pi * float64(i-burst) / float64(high))
		default:
			raw[i] = 0.5 * math.Sin(2*math.Pi*float64((i-burst-high)%low)/float64(low))
		}
		fade := rate / 100 * over
		if e := min(i, n-1-i); e < fade {
			raw[i] *= 0.5 - 0.5*math.Cos(math.Pi*float64(e)/float64(fade))
		}
	}
	var h [2*half + 1]float64 // Blackman-windowed sinc, cut at fs/2
	sum := 0.0
	for k := range h {
		d := float64(k-half) / over
		w := 0.42 + 0.5*math.Cos(math.Pi*float64(k-half)/(half+1)) + 0.08*math.Cos(2*math.Pi*float64(k-half)/(half+1))
		h[k] = w
		if d != 0 {
			h[k] = w * math.Sin(math.Pi*d) / (math.Pi * d)
		}
		sum += h[k]
	}
	var out []float32
	for i := offset; i < n; i += over {
		y := 0.0
		for k, c := range h {
			if j := i + k - half; j >= 0 && j < n {
				y += c * raw[j]
			}
		}
		out = append(out, float32(y/sum), float32(y/sum))
	}
	return out
}
