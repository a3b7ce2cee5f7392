package job

import (
	"fmt"
	"strings"

	"cuechoir/internal/fault"
)

// Stand is how a line of the checklist stands.
type Stand string

const (
	Done     Stand = "done"
	Look     Stand = "look" // worth a look; it stands in nobody's way
	InTheWay Stand = "in the way"
)

// ReadyLine is one line of the checklist before the stem goes out. What names
// the question (see the Ask constants), Layer the layer it is about, "" for all;
// Command mends it, "" where it is done.
type ReadyLine struct {
	What    string
	Layer   string
	Stand   Stand
	Words   string
	Command string
}

// The questions of the checklist.
const (
	AskMap      = "map"
	AskHits     = "hits"
	AskLayers   = "layers"
	AskSound    = "sound"    // dropouts and clipping in what sounds
	AskTuning   = "tuning"   // notes off, wrong or missing
	AskTime     = "time"     // entries early or late
	AskUnsure   = "unsure"   // what could not be judged
	AskTakes    = "takes"    // what is known of the takes that sound
	AskStem     = "stem"     // it is there, and of what there is now
	AskLength   = "length"   // of the stem
	AskPeak     = "peak"     // the stem's true peak
	AskLoudness = "loudness" // of the stem
)

// ReadyFacts are what the checklist is made of: one source for a screen and a
// command. Frames and Samples are the reference's.
type ReadyFacts struct {
	Frames, Samples int64
	Bars            int
	Hits            []ReadyHit
	Layers          []ReadyLayer
	Stem            *StemFacts
	CeilingDBTP     float64
	TargetLUFS      *float64 // nil: any loudness will do
}

// ReadyHit is a hit and whether the map catches it.
type ReadyHit struct {
	Name         string
	Must, Caught bool
}

// ReadyLayer is a layer: what it has, and what the check found in what sounds.
// Broken is why its sound cannot be opened, with Mend, the command that helps.
type ReadyLayer struct {
	Name                                string
	Sung, Muted, Listened, Mended       bool
	MutedGroup                          string // the group by which it is muted; "": by itself
	Broken, Mend                        string
	Dropouts, Clipped, OffTune, OffTime int
	Unsure                              int     // notes that could not be read
	Judged                              float64 // share of the part's time that could
	Remarks                             []string
	Command                             string // begins what is to be sung again first
}

// StemFacts are measured of the stem's file. Stale: a take or the score is
// newer than it.
type StemFacts struct {
	Name           string
	Problem        string // why it cannot be read, or ""
	Samples        int64
	SampleRate     int
	ScoreRate      int
	LUFS, PeakDBTP float64 // -Inf for silence
	Stale          bool
}

// Bounds of the checklist.
const (
	readyMissLU  = 0.5  // EBU R 128: where normalisation to the target is not achievable to the letter, ±0.5 LU
	readyPeakDB  = 0.01 // what two meters of true peak may differ by
	poorlyJudged = 0.5  // less than this share judged is no verdict
)

// Checklist says what still stands in the way of handing the stem over, in the
// order of the work.
func Checklist(x ReadyFacts) []ReadyLine {
	var out []ReadyLine
	out = append(out, x.mapLine(), x.hitLine())
	out = append(out, x.layerLines()...)
	for _, l := range x.Layers {
		if l.Sung && !l.Muted && l.Broken == "" {
			out = append(out, l.lines()...)
		}
	}
	return append(out, x.stemLines()...)
}

// ReadyVerdict is nil, or with strict a NotMet error when anything stands in
// the way.
func ReadyVerdict(lines []ReadyLine, strict bool) error {
	n := InTheWayOf(lines)
	if !strict || n == 0 {
		return nil
	}
	if n == 1 {
		return fault.New(fault.NotMet, "1 thing stands in the way")
	}
	return fault.New(fault.NotMet, "%d things stand in the way", n)
}

// InTheWayOf counts the lines that stand in the way.
func InTheWayOf(lines []ReadyLine) (n int) {
	for _, l := range lines {
		if l.Stand == InTheWay {
			n++
		}
	}
	return n
}

// mapLine: without a map nothing says where notes fall, but a stem can be
// sung and bounced without one when no layer has a part.
func (x ReadyFacts) mapLine() ReadyLine {
	if x.Bars == 0 {
		return ReadyLine{What: AskMap, Stand: InTheWay, Words: "there is no tempo map yet", Command: "cuechoir map"}
	}
	return ReadyLine{What: AskMap, Stand: Done, Words: count(x.Bars, "bar") + " on the map"}
}

func (x ReadyFacts) hitLine() ReadyLine {
	var must, want []string
	caught := 0
	for _, h := range x.Hits {
		switch {
		case h.Caught:
			caught++
		case h.Must:
			must = append(must, h.Name)
		default:
			want = append(want, h.Name)
		}
	}
	l := ReadyLine{What: AskHits, Stand: Done, Words: fmt.Sprintf("%d of %s caught", caught, count(len(x.Hits), "hit"))}
	switch {
	case len(x.Hits) == 0:
		l.Stand, l.Words, l.Command = Look, "no hits are marked: nothing says what the music must land on", "cuechoir hits add FRAME"
	case x.Bars == 0 && caught < len(x.Hits): // the map's line tells
		l.Stand, l.Command = InTheWay, "cuechoir map"
	case len(must) > 0:
		l.Stand, l.Command = InTheWay, "cuechoir map show"
		l.Words += "; missed that must be met: " + strings.Join(must, ", ")
	case len(want) > 0:
		l.Stand, l.Command = Look, "cuechoir map show"
		l.Words += "; missed that were wanted: " + strings.Join(want, ", ")
	}
	return l
}

// layerLines say which layers there are to hear.
func (x ReadyFacts) layerLines() []ReadyLine {
	if len(x.Layers) == 0 {
		return []ReadyLine{{What: AskLayers, Stand: InTheWay, Words: "there is no layer yet", Command: "cuechoir layer add NAME"}}
	}
	sung := 0
	var more []ReadyLine
	for _, l := range x.Layers {
		line := ReadyLine{What: AskLayers, Layer: l.Name, Stand: InTheWay}
		switch {
		case l.Broken != "":
			line.Words, line.Command = l.Broken, l.Mend
			if line.Command == "" {
				line.Command = "cuechoir verify"
			}
		case l.Muted:
			line.Stand, line.Words, line.Command = Look, "muted, so it is not in the stem", "cuechoir layer set "+l.Name+" --mute=false"
			if l.MutedGroup != "" {
				line.Words, line.Command = "muted with its group, so it is not in the stem", "cuechoir mix group "+l.MutedGroup+" --mute=false"
			}
		case !l.Sung:
			line.Words, line.Command = "not sung yet", "cuechoir sing "+l.Name
		}
		if l.Sung && l.Broken == "" {
			sung++
		}
		if line.Words != "" {
			more = append(more, line)
		}
	}
	all := ReadyLine{What: AskLayers, Stand: Done, Words: fmt.Sprintf("%d of %s sung", sung, count(len(x.Layers), "layer"))}
	if sung < len(x.Layers) {
		all.Stand, all.Command = Look, "cuechoir layer" // each is told in a line of its own
	}
	return append([]ReadyLine{all}, more...)
}

// lines of a layer that sounds: one a question, and one when all is well.
func (l ReadyLayer) lines() []ReadyLine {
	var out []ReadyLine
	add := func(what string, stand Stand, command, format string, args ...any) {
		out = append(out, ReadyLine{What: what, Layer: l.Name, Stand: stand, Words: fmt.Sprintf(format, args...), Command: command})
	}
	again, show := l.Command, "cuechoir check "+l.Name
	if again == "" {
		again = show
	}
	if l.Dropouts > 0 {
		add(AskSound, InTheWay, again, "%s in what sounds", count(l.Dropouts, "dropout"))
	}
	if l.Clipped > 0 {
		add(AskSound, InTheWay, again, "clipped in %s", count(l.Clipped, "place"))
	}
	tuned, timed := InTheWay, InTheWay
	mended := ""
	if l.Mended { // the check hears what was sung
		tuned, timed, mended = Look, Look, " as it was sung; it is mended since, so listen"
		again, show = "cuechoir play "+l.Name, "cuechoir play "+l.Name
	}
	if l.OffTune > 0 {
		add(AskTuning, tuned, again, "%s of tuning to mend%s", count(l.OffTune, "finding"), mended)
	}
	if l.OffTime > 0 {
		add(AskTime, timed, again, "%s of time to mend%s", count(l.OffTime, "finding"), mended)
	}
	switch {
	case !l.Listened:
		add(AskUnsure, Look, show, "not listened to yet")
	case l.Judged < poorlyJudged:
		add(AskUnsure, InTheWay, show, "only %.0f %% of it could be judged", 100*l.Judged)
	case l.Unsure > 0:
		add(AskUnsure, Look, show, "%s could not be read surely: listen", count(l.Unsure, "note"))
	}
	for _, r := range l.Remarks {
		add(AskTakes, Look, "cuechoir takes "+l.Name, "%s", r)
	}
	if out == nil {
		add(AskTuning, Done, "", "in tune and in time, no dropout, nothing clipped")
	}
	return out
}

func (x ReadyFacts) stemLines() []ReadyLine {
	bounce := "cuechoir bounce"
	if x.TargetLUFS != nil {
		bounce += fmt.Sprintf(" --target %g", *x.TargetLUFS)
	}
	s := x.Stem
	if s == nil {
		return []ReadyLine{{What: AskStem, Stand: InTheWay, Words: "the stem is not bounced yet", Command: bounce}}
	}
	if s.Problem != "" {
		return []ReadyLine{{What: AskStem, Stand: InTheWay, Words: s.Problem, Command: bounce}}
	}
	stem := ReadyLine{What: AskStem, Stand: Done, Words: s.Name + " is newer than every take and edit"}
	if s.Stale {
		stem.Stand, stem.Words, stem.Command = InTheWay, s.Name+" is older than the last take or edit", bounce
	}
	length := ReadyLine{What: AskLength, Stand: Done, Words: fmt.Sprintf("%d samples, exactly the reference's", s.Samples)}
	if s.Samples != x.Samples || s.SampleRate != s.ScoreRate {
		length.Stand, length.Command = InTheWay, bounce
		length.Words = fmt.Sprintf("%d samples at %d Hz, the reference lasts %d at %d", s.Samples, s.SampleRate, x.Samples, s.ScoreRate)
	}
	peak := ReadyLine{What: AskPeak, Stand: Done, Words: fmt.Sprintf("true peak %.1f dBTP, at most %.1f", s.PeakDBTP, x.CeilingDBTP)}
	if s.PeakDBTP > x.CeilingDBTP+readyPeakDB {
		peak.Stand, peak.Words = InTheWay, fmt.Sprintf("true peak %.2f dBTP is above %.1f", s.PeakDBTP, x.CeilingDBTP)
		peak.Command = bounce + fmt.Sprintf(" --ceiling=%g", x.CeilingDBTP)
	}
	return []ReadyLine{stem, length, peak, x.loudnessLine(bounce)}
}

func (x ReadyFacts) loudnessLine(bounce string) ReadyLine {
	l := ReadyLine{What: AskLoudness, Stand: Done, Words: fmt.Sprintf("%.1f LUFS", x.Stem.LUFS)}
	switch {
	case x.Stem.LUFS < -70: // nothing passed the gate
		l.Stand, l.Words, l.Command = InTheWay, "the stem is silent", "cuechoir measure"
	case x.TargetLUFS == nil:
		l.Words += " (no loudness is asked for: --target)"
	default:
		off := x.Stem.LUFS - *x.TargetLUFS
		l.Words += fmt.Sprintf(", %+.1f LU beside %g", off, *x.TargetLUFS)
		if off > readyMissLU || off < -readyMissLU {
			l.Stand, l.Command = InTheWay, bounce
			if off < 0 { // the ceiling held it back
				l.Command = "cuechoir mix master --limit && " + bounce
			}
		}
	}
	return l
}
