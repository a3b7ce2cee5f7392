package check

import (
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"slices"
	"strings"
	"testing"

	"cuechoir/engine/timecode"
	"cuechoir/internal/singer"
)

// setting is how a planted layer is sung and recorded.
type setting struct {
	name        string
	sampleRate  int
	low, high   int     // keys
	least, most float64 // seconds of a note
	notes       int
	noiseDB     float64
	reverb      float64 // RT60 seconds, 0: dry
	clickDB     float64
	drift       float64 // cents a minute
	breath      float64
	formants    float64
	legato      bool
	clean       bool // nothing planted
	attack      float64
	levelDB     float64
	latency     float64 // seconds
	tune        float64
	consonants  []string
	seed        uint64
}

// planted is what was put in: a kind at a note (or -1).
type planted struct {
	kind Kind
	note int
}

// layerOf sings a planted layer.
func layerOf(s setting) (Input, []planted) {
	rng := rand.New(rand.NewPCG(s.seed, 77))
	sr := s.sampleRate
	if s.consonants == nil {
		s.consonants = []string{"", "t", "s", "m", "l", "k", "h", "n"}
	}
	var targets []Target
	var notes []singer.Note
	at := int64(sr)
	key := float64((s.low + s.high) / 2)
	vowels := []string{"a", "e", "i", "o", "u", "uh"}
	for i := range s.notes {
		length := int64((s.least + (s.most-s.least)*rng.Float64()) * float64(sr))
		key += float64([]int{-4, -2, -1, 0, 0, 1, 2, 2, 4, 5}[rng.IntN(10)])
		key = min(float64(s.high), max(float64(s.low), key))
		if rng.IntN(7) == 0 {
			at += int64(0.5 * float64(sr)) // a rest
		}
		targets = append(targets, Target{Start: at, End: at + length, Key: key, Bar: i/4 + 1, Beat: fmt.Sprint(i%4 + 1), Name: "la"})
		hold := 0.9
		if s.legato && rng.IntN(2) == 0 {
			hold = 1
		}
		n := singer.Note{Key: key + (rng.Float64()*16-8)/100, Vowel: vowels[rng.IntN(len(vowels))],
			Start:     at + int64((rng.Float64()*0.04-0.02+s.latency)*float64(sr)),
			Length:    int64(hold * float64(length)),
			Consonant: s.consonants[rng.IntN(len(s.consonants))],
			LevelDB:   s.levelDB + rng.Float64()*8 - 4}
		if rng.IntN(2) == 0 {
			n.VibratoHz, n.VibratoCents = 5+rng.Float64(), 20+30*rng.Float64()
		}
		if rng.IntN(3) == 0 {
			n.ScoopCents = 60 * rng.Float64()
		}
		notes = append(notes, n)
		at += length
	}
	var plants []planted
	if !s.clean {
		plants = plant(notes, s, rng)
	}
	voice := singer.Voice{Seed: s.seed, SampleRate: sr, FormantScale: s.formants, Breath: s.breath, JitterCents: 3,
		DriftCentsPerMinute: s.drift, TuneCents: s.tune, AttackSeconds: s.attack}
	missing := plants
	sung := slices.Clone(notes)
	for _, p := range missing {
		if p.kind == Missing {
			sung[p.note].LevelDB = -200
			sung[p.note].Consonant = ""
		}
	}
	x := voice.Sing(sung, 0, at+int64(sr))
	reverberate(x, sr, s.reverb, rng)
	addNoise(x, s.noiseDB, rng)
	if s.clickDB != 0 {
		click(x, sr, s.clickDB, 0.5)
	}
	x = damage(x, notes, plants, sr)
	if s.drift != 0 {
		plants = append(plants, planted{Drift, -1})
	}
	return Input{Samples: x, SampleRate: sr, Rate: timecode.Rate23976, Targets: targets}, plants
}

// plant spreads the faults over the notes.
func plant(notes []singer.Note, s setting, rng *rand.Rand) []planted {
	kinds := []Kind{Flat, Sharp, Late, Early, Dropped, Missing, Wrong, Clipping}
	rng.Shuffle(len(kinds), func(i, j int) { kinds[i], kinds[j] = kinds[j], kinds[i] })
	var out []planted
	each := len(notes) / (len(kinds) + 1)
	frame := float64(s.sampleRate) * 1001 / 24000
	for k, kind := range kinds {
		i := (k+1)*each + rng.IntN(2)
		for kind == Early && notes[i-1].Length < int64(0.36*float64(s.sampleRate)) {
			i++ // the note before must be left long enough to be sung
		}
		n := &notes[i]
		switch kind {
		case Flat:
			n.Key -= 0.60
		case Sharp:
			n.Key += 0.45
		case Wrong:
			n.Key += float64(1 - 2*rng.IntN(2))
		case Late:
			n.Start += int64(3 * frame)
			n.Length -= int64(min(3*frame, 0.5*float64(n.Length)))
		case Early:
			n.Start -= int64(4 * frame)
			notes[i-1].Length = min(notes[i-1].Length, n.Start-notes[i-1].Start-n.Lead(s.sampleRate)-100)
		}
		out = append(out, planted{kind, i})
	}
	return out
}

// damage cuts the dropout and clips the passage.
func damage(x []float32, notes []singer.Note, plants []planted, sr int) []float32 {
	for _, p := range plants {
		n := notes[p.note]
		switch p.kind {
		case Dropped:
			from := n.Start + n.Length/2
			clear(x[from : from+int64(0.06*float64(sr))])
		case Clipping:
			for i := n.Start; i < n.Start+n.Length; i++ {
				x[i] = max(-1, min(1, x[i]*10))
			}
		}
	}
	return x
}

func addNoise(x []float32, db float64, rng *rand.Rand) {
	amp := math.Pow(10, db/20)
	for i := range x {
		x[i] += float32(amp * rng.NormFloat64())
	}
}

func click(x []float32, sr int, db, beat float64) {
	amp := math.Pow(10, db/20)
	for t := 0.0; t*float64(sr) < float64(len(x)); t += beat {
		from := int(t * float64(sr))
		for i := 0; i < sr/25 && from+i < len(x); i++ {
			s := float64(i) / float64(sr)
			x[from+i] += float32(amp * math.Exp(-s/0.008) * math.Sin(2*math.Pi*1500*s))
		}
	}
}

// reverberate adds a tail of sparse echoes that dies 60 dB in rt60 seconds, at
// about -9 dB of the direct sound in all.
func reverberate(x []float32, sr int, rt60 float64, rng *rand.Rand) {
	if rt60 <= 0 {
		return
	}
	dry := slices.Clone(x)
	const echoes = 300
	for range echoes {
		t := 0.008 + rt60*rng.Float64()
		g := float32(math.Pow(10, -3*t/rt60) * rng.NormFloat64() * 0.055)
		d := int(t * float64(sr))
		for i := d; i < len(x); i++ {
			x[i] += g * dry[i-d]
		}
	}
}

func settings() []setting {
	base := setting{sampleRate: 48000, low: 55, high: 72, least: 0.6, most: 1.3, notes: 46, noiseDB: -60, clickDB: -45, breath: 0.05, seed: 1}
	with := func(name string, f func(*setting)) setting {
		s := base
		s.name = name
		f(&s)
		return s
	}
	return []setting{
		with("planted, drift", func(s *setting) { s.drift = -30 }),
		with("planted, steady, legato", func(s *setting) { s.legato = true; s.seed = 2 }),
		with("fast, room", func(s *setting) { s.least, s.most, s.notes, s.seed = 0.25, 0.45, 80, 3; s.noiseDB = -45 }),
		with("low man, reverb, 44.1", func(s *setting) {
			s.low, s.high, s.seed, s.reverb, s.sampleRate = 40, 55, 4, 0.4, 44100
			s.drift = -30
		}),
		with("woman, 96", func(s *setting) {
			s.low, s.high, s.formants, s.sampleRate, s.seed, s.notes = 65, 84, 1.17, 96000, 5, 40
		}),
		with("clean, very fast", func(s *setting) { s.least, s.most, s.notes, s.clean, s.seed = 0.15, 0.25, 100, true, 6 }),
		with("clean, room, reverb, legato", func(s *setting) { s.noiseDB, s.reverb, s.clean, s.legato, s.seed = -45, 0.4, true, true, 7 }),
	}
}

// tally of a planted layer.
func tally(r Report, want []planted) (found, lost, false_ []string) {
	left := slices.Clone(r.Findings)
	for _, p := range want {
		k := slices.IndexFunc(left, func(f Finding) bool { return f.Kind == p.kind && (f.Note == p.note || p.note < 0) })
		if k < 0 {
			lost = append(lost, fmt.Sprintf("%s@%d", p.kind, p.note))
			continue
		}
		found = append(found, fmt.Sprintf("%s@%d", p.kind, p.note))
		left = slices.Delete(left, k, k+1)
	}
	for _, f := range left {
		false_ = append(false_, fmt.Sprintf("%s@%d (%s)", f.Kind, f.Note, f.Words))
	}
	return found, lost, false_
}

func TestPlantedFaults(t *testing.T) {
	all := settings()
	// CUECHOIR_SWEEP=1 runs many more seeds (some minutes).
	if os.Getenv("CUECHOIR_SWEEP") != "" {
		for seed := uint64(10); seed < 15; seed++ {
			for _, s := range settings() {
				s.seed += seed
				all = append(all, s)
			}
		}
	}
	for i, s := range all {
		if underRace && i%3 != 0 {
			t.Logf("left out under the race detector: %s", s.name)
			continue
		}
		t.Run(fmt.Sprintf("%s/%d", s.name, s.seed), func(t *testing.T) {
			t.Parallel()
			in, want := layerOf(s)
			r, err := Layer(in)
			if err != nil {
				t.Fatal(err)
			}
			found, lost, wrong := tally(r, want)
			t.Logf("found %d of %d, false %d; bias %.1f cents, %.0f ms, spread %.1f, drift %.1f/min, judged %.2f, within 10/25/50 %.2f %.2f %.2f",
				len(found), len(want), len(wrong), r.BiasCents, r.BiasMilliseconds, r.SpreadCents, r.Drift.CentsPerMinute, r.Judged,
				r.Within10, r.Within25, r.Within50)
			if len(lost)+len(wrong) > 0 {
				t.Errorf("lost: %s\nfalse: %s", strings.Join(lost, ", "), strings.Join(wrong, "\n       "))
			}
		})
	}
}
