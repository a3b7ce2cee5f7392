package check

import (
	"fmt"
	"math"
	"slices"

	"cuechoir/internal/dsp"
	"cuechoir/internal/fault"
)

// HealthInput is one take as it was recorded. Samples are mono, ±1.0 full
// scale. Click is what the headphones played of the click, 0 to full scale, at
// the same samples (Click[i] beside Samples[i]); nil or shorter: silence.
// Beats are the places of its clicks in Samples, in order.
type HealthInput struct {
	Samples    []float32
	SampleRate int // Hz, 8000 to 384000
	Click      []float32
	Beats      []int64
}

// HealthKind is what may be wrong with a recording itself, whatever was sung.
type HealthKind string

const (
	HealthClipped HealthKind = "clipping"
	HealthQuiet   HealthKind = "too-quiet"
	HealthHum     HealthKind = "hum"
	HealthBleed   HealthKind = "click-bleed"
	HealthPops    HealthKind = "plosives"
	HealthNoise   HealthKind = "noise"
)

// HealthLine is one thing to mend before the next take, in one plain line.
// DB is its level in dBFS, as Health names it; Sample its first or loudest
// place in HealthInput.Samples, -1 when it is everywhere.
type HealthLine struct {
	Kind   HealthKind `json:"kind"`
	DB     float64    `json:"db"`
	Sample int64      `json:"sample"`
	Count  int        `json:"count,omitempty"`
	Words  string     `json:"words"`
}

// Health is what was measured of a take's sound. Levels are dBFS, RMS unless a
// peak is named; where nothing could be measured the value is Silent.
type Health struct {
	PeakDB  float64 `json:"peak_db"`
	VoiceDB float64 `json:"voice_db"` // of the loudest tenth of the take

	// The room, where nobody sings. Paused is false when there is too little of
	// that: noise and hum are not judged then.
	Paused  bool    `json:"paused"`
	NoiseDB float64 `json:"noise_db"` // without the hum
	HumDB   float64 `json:"hum_db"`   // all harmonics of the mains together
	HumHz   float64 `json:"hum_hz"`   // 50 or 60, 0 without hum

	ClipDB    float64 `json:"clip_db"` // the level at which peaks are cut off
	Clips     int     `json:"clips"`   // peaks cut off
	PopDB     float64 `json:"pop_db"`  // peak of the loudest burst under the voice
	Pops      int     `json:"pops"`
	BleedDB   float64 `json:"bleed_db"`   // peak of the click as it is in the take
	BleedPath float64 `json:"bleed_path"` // dB from the headphones to the take
	BleedLag  int64   `json:"bleed_lag"`  // samples that it comes after its place

	Lines []HealthLine `json:"lines"` // worst first
}

// Silent stands for a level of nothing, as JSON knows no minus infinity.
const Silent = -200.0

// What is told. The figures marked so are common practice among people who
// record voices at home or values from memory; none is of a standard.
const (
	// Common practice: a voice averages about -18 dBFS. So far under it, the
	// gain that brings it back brings up the noise of the input too.
	quietVoiceDB = -36.0
	// From memory: under this nothing but noise comes from an input.
	deadVoiceDB = -70.0
	// Common practice: a quiet room at home is at -60 dBFS or lower; fifteen
	// layers add 12 dB to it (uncorrelated: 10·log10 15).
	noiseFloorDB = -50.0
	// Common practice: noise 30 dB under a voice is heard in its pauses.
	noiseUnderVoiceDB = 30.0
	// From memory: a hum at -60 dBFS is heard in pauses; fifteen layers of one
	// evening add up to 23.5 dB to it (in phase: 20·log10 15).
	humDB = -60.0
	// The click is in phase in all layers: fifteen of them bring -60 to -36.5
	// dBFS, where it is heard under a quiet bar.
	bleedToldDB = -60.0
	// From memory: a pop is heard as one when the low end peaks at -30 dBFS.
	popDB = -30.0
)

// Listen measures a take's sound and says what to mend before the next.
// Errors: Usage for a sample rate out of range.
func Listen(in HealthInput) (Health, error) {
	if in.SampleRate < 8000 || in.SampleRate > 384000 {
		return Health{}, fault.New(fault.Usage, "a sample rate of %d Hz is outside 8000 to 384000", in.SampleRate)
	}
	h := Health{NoiseDB: Silent, HumDB: Silent, ClipDB: Silent, PopDB: Silent, BleedDB: Silent, BleedPath: Silent, Lines: []HealthLine{}}
	h.PeakDB = levelDB(float64(dsp.Peak(in.Samples)))
	levels := blockLevels(in.Samples, in.SampleRate)
	h.VoiceDB = levelDB(math.Sqrt(loudest(levels)))
	h.measureRoom(in)
	for _, measure := range []func(HealthInput) error{h.measureClips, h.measurePops, h.measureBleed} {
		if err := measure(in); err != nil {
			return h, err
		}
	}
	h.tellRoom()
	slices.SortStableFunc(h.Lines, func(a, b HealthLine) int { return healthRank(a.Kind) - healthRank(b.Kind) })
	return h, nil
}

// healthRank puts what spoils a take before what can be lived with.
func healthRank(k HealthKind) int {
	return slices.Index([]HealthKind{HealthClipped, HealthQuiet, HealthBleed, HealthHum, HealthNoise, HealthPops}, k)
}

func (h *Health) tell(k HealthKind, db float64, at int64, count int, format string, args ...any) {
	h.Lines = append(h.Lines, HealthLine{k, db, at, count, fmt.Sprintf(format, args...)})
}

func levelDB(amplitude float64) float64 {
	return max(dsp.AmplitudeToDB(amplitude), Silent)
}

// levelSeconds is the block in which levels are taken: a syllable.
const levelSeconds = 0.05

// blockLevels is the mean square of each whole block.
func blockLevels(x []float32, sampleRate int) []float64 {
	n := int(levelSeconds * float64(sampleRate))
	var out []float64
	for ; len(x) >= n; x = x[n:] {
		out = append(out, meanSquare(x[:n]))
	}
	return out
}

func meanSquare(x []float32) float64 {
	sum := 0.0
	for _, v := range x {
		if v == v {
			sum += float64(v) * float64(v)
		}
	}
	return sum / float64(max(len(x), 1))
}

// loudest is the mean over the loudest tenth.
func loudest(levels []float64) float64 {
	if len(levels) == 0 {
		return 0
	}
	sorted := slices.Clone(levels)
	slices.Sort(sorted)
	top := sorted[len(sorted)-max(len(sorted)/10, 1):]
	sum := 0.0
	for _, v := range top {
		sum += v
	}
	return sum / float64(len(top))
}

// measureClips counts flat tops, as the check of a layer finds them.
func (h *Health) measureClips(in HealthInput) error {
	clips := findClips(in.Samples, in.SampleRate)
	if len(clips) == 0 {
		return nil
	}
	level := 0.0
	for _, c := range clips {
		h.Clips += c.peaks
		level = max(level, c.over)
	}
	h.ClipDB = levelDB(level)
	h.tell(HealthClipped, h.ClipDB, int64(clips[0].from), h.Clips,
		"the input is too hot: %d peaks are cut off at %.1f dBFS; turn the microphone's gain down by 6 dB or more and sing it again", h.Clips, h.ClipDB)
	return nil
}

// tellRoom tells of level, noise and hum.
func (h *Health) tellRoom() {
	switch {
	case h.VoiceDB < deadVoiceDB:
		h.tell(HealthQuiet, h.VoiceDB, -1, 0, "nothing was heard: see that the microphone is plugged in, chosen and not muted")
		return
	case h.VoiceDB < quietVoiceDB:
		h.tell(HealthQuiet, h.VoiceDB, -1, 0, "the voice is quiet, at %.0f dBFS where about -18 is usual: come closer, or turn the microphone's gain up", h.VoiceDB)
	}
	if !h.Paused {
		return
	}
	if h.HumHz > 0 && h.HumDB > humDB {
		h.tell(HealthHum, h.HumDB, -1, 0,
			"the mains hum, at %.0f Hz and %.0f dBFS: keep cables away from power supplies, or run the laptop on its battery", h.HumHz, h.HumDB)
	}
	if h.NoiseDB > noiseFloorDB || h.NoiseDB > h.VoiceDB-noiseUnderVoiceDB && h.VoiceDB >= quietVoiceDB {
		h.tell(HealthNoise, h.NoiseDB, -1, 0,
			"the room is loud: noise at %.0f dBFS, %.0f dB under the voice: close the windows, switch off fans, come closer to the microphone", h.NoiseDB, h.VoiceDB-h.NoiseDB)
	}
}
