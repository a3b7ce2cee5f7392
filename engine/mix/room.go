package mix

import (
	"math"
)

// Room is the reverb that sends share. Method: a feedback delay network of
// eight lines, mixed by a Householder matrix, each line with a one-pole filter
// that sets how long lows and highs ring (Jot and Chaigne, «Digital delay
// networks for designing artificial reverberators», AES 90, 1991; here the pole is
// solved from the two gains, exact at 0 Hz and at half the rate). Lines are prime
// numbers of samples, so that echoes seldom meet. Cost: 20 ns a sample. Known failure: no early reflections of any real room.
type Room struct {
	Seconds              float64 // 0.2 to 12: until it has fallen by 60 dB at low frequencies; 0 is 1.8
	HighRatio            float64 // 0.1 to 1: the same at high frequencies, as a share; 0 is 0.4
	PreDelayMilliseconds float64 // 0 to 250
	Size                 float64 // 0.5 to 2: of the lines, 1 being 25 to 71 ms; 0 is 1
	ReturnDB             float64 // -60 to 12
}

const (
	roomLines   = 8
	roomSeconds = 1.8
	roomHighs   = 0.4
	maxPreDelay = 250
)

// roomMilliseconds are the lines' lengths at size 1.
var roomMilliseconds = [roomLines]float64{25.3, 29.1, 33.7, 39.3, 45.1, 52.7, 61.3, 70.9}

func (r Room) validate() error {
	return within("room", bound{"seconds", orDefault(r.Seconds, roomSeconds), 0.2, 12}, bound{"high_ratio", orDefault(r.HighRatio, roomHighs), 0.1, 1},
		bound{"pre_delay_ms", r.PreDelayMilliseconds, 0, maxPreDelay}, bound{"size", orDefault(r.Size, 1), 0.5, 2}, bound{"return_db", r.ReturnDB, -60, 12})
}

// Processor makes one. It hears left alone and writes the room's answer alone
// to both, or to left where right is nil.
func (r Room) Processor(sampleRate int) (Processor, error) {
	if err := r.validate(); err != nil {
		return nil, err
	}
	rate := float64(sampleRate)
	n := &network{pre: newLine(int(math.Round(r.PreDelayMilliseconds / 1000 * rate)))}
	t60, ratio := orDefault(r.Seconds, roomSeconds), orDefault(r.HighRatio, roomHighs)
	power := 0.0
	for i, ms := range roomMilliseconds {
		length := nextPrime(int(math.Round(ms / 1000 * rate * orDefault(r.Size, 1))))
		n.lines[i] = newLine(length)
		k := math.Pow(10, -3*float64(length)/(rate*t60))
		high := math.Pow(10, -3*float64(length)/(rate*t60*ratio))
		pole := min((k-high)/(k+high), maxPole)
		n.gain[i], n.pole[i] = k*(1-pole), pole
		power += k * k / (1 - k*k)
	}
	// The answer to noise has about the noise's own power at a return of 0 dB.
	n.out = Gain(r.ReturnDB) / math.Sqrt(1+power/2)
	return n, nil
}

// maxPole keeps the filters of long lines in short, dull rooms from hearing the
// lowest tones alone.
const maxPole = 0.98

// line is a delay line.
type line struct {
	x  []float64
	at int
}

func newLine(length int) line { return line{x: make([]float64, length)} }

// network is a room at work.
type network struct {
	pre              line
	lines            [roomLines]line
	gain, pole, damp [roomLines]float64
	out              float64
	phase            int
	other            [roomPiece]float64 // the right channel of mono, which nobody hears
}

func (n *network) Process(left, right []float64) {
	for len(left) > 0 {
		k := min(roomPiece, settleRoom-n.phase, len(left))
		n.delay(left[:k])
		if right != nil {
			n.run(left[:k], right[:k])
			right = right[k:]
		} else {
			n.run(left[:k], n.other[:k])
		}
		if n.phase += k; n.phase == settleRoom {
			n.settle()
		}
		left = left[k:]
	}
}

const (
	roomPiece = 64
	// settleRoom is how often, in samples, the room looks whether it has died
	// away: before it can fall from tinyLevel to subnormal numbers.
	settleRoom = 1 << 14
)

// settle puts all of it to 0 when all of it is too small to matter: a part alone
// would be pushed up again by the others.
func (n *network) settle() {
	n.phase = 0
	for i := range n.lines {
		if math.Abs(n.damp[i]) >= tinyLevel {
			return
		}
		for _, v := range n.lines[i].x {
			if math.Abs(v) >= tinyLevel {
				return
			}
		}
	}
	for i := range n.lines {
		clear(n.lines[i].x)
		n.damp[i] = 0
	}
}

// delay is the pre-delay.
func (n *network) delay(x []float64) {
	if len(n.pre.x) == 0 {
		return
	}
	at := n.pre.at
	for i, v := range x {
		x[i], n.pre.x[at] = n.pre.x[at], v
		if at++; at == len(n.pre.x) {
			at = 0
		}
	}
	n.pre.at = at
}

// run feeds each line the input and what the matrix makes of all lines: what
// each gave less a quarter of their sum. Odd lines sound left, even ones right,
// with signs that keep the two apart.
func (n *network) run(left, right []float64) {
	for i, in := range left {
		var y [roomLines]float64
		sum := 0.0
		for k := range y {
			l := &n.lines[k]
			d := float64(n.gain[k]*l.x[l.at]) + float64(n.pole[k]*n.damp[k])
			n.damp[k] = d
			y[k] = d
			sum += d
		}
		left[i] = n.out * ((y[0] - y[2]) + (y[4] - y[6]))
		right[i] = n.out * ((y[1] - y[3]) + (y[5] - y[7]))
		back := in - sum*(2./roomLines)
		for k := range y {
			l := &n.lines[k]
			l.x[l.at] = back + y[k]
			if l.at++; l.at == len(l.x) {
				l.at = 0
			}
		}
	}
}

func nextPrime(n int) int {
	for n = max(n, 2); ; n++ {
		prime := true
		for d := 2; d*d <= n && prime; d++ {
			prime = n%d != 0
		}
		if prime {
			return n
		}
	}
}
