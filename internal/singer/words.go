package singer

import "slices"

// phone is a stretch of a spoken word. What is 0 or "" is not there.
type phone struct {
	ms         float64    // length at full pace
	from, to   [3]float64 // formants in Hz at its beginning and end; to of 0: they stand still
	wide       float64    // bandwidths against the vowel's; 0 is 1
	voice      float64    // amplitude of the glottal source, 1 in a vowel
	breath     float64    // amplitude of noise through the formants, against that source
	noise      string     // consonant whose noise is heard past the formants
	noiseLevel float64    // RMS of that noise against a vowel's
	burst      bool       // starts at full height and dies away; pace does not change it
}

// Formants in Hz: D. H. Klatt, "Software for a cascade/parallel formant
// synthesizer", JASA 67 (1980), tables II and III (from memory).
var (
	klattIY = [3]float64{310, 2020, 2960}
	klattIH = [3]float64{400, 1800, 2570}
	klattEY = [3]float64{480, 1720, 2520}
	eyEnd   = [3]float64{330, 2020, 2600}
	klattEH = [3]float64{530, 1680, 2500}
	klattAH = [3]float64{620, 1220, 2550}
	klattAO = [3]float64{600, 990, 2570}
	klattAY = [3]float64{660, 1200, 2550}
	ayEnd   = [3]float64{400, 1880, 2500}
	klattOW = [3]float64{540, 1100, 2300}
	owEnd   = [3]float64{450, 900, 2300}
	klattUW = [3]float64{350, 1400, 2250} // after a tongue-tip consonant, which raises the second
	uwEnd   = [3]float64{320, 900, 2200}
	klattRR = [3]float64{470, 1270, 1540}
	klattAX = [3]float64{500, 1400, 2500}
	klattW  = [3]float64{290, 610, 2150}
	klattR  = [3]float64{310, 1060, 1380}
	klattL  = [3]float64{310, 1050, 2880}
	klattN  = [3]float64{250, 1340, 2470}
	klattV  = [3]float64{220, 1100, 2080}
	klattF  = [3]float64{340, 1100, 2080}
	klattTH = [3]float64{320, 1290, 2540}
	klattS  = [3]float64{340, 1390, 2530}
	klattT  = [3]float64{400, 1600, 2600}
	klattK  = [3]float64{300, 1990, 2850}
	klattG  = [3]float64{250, 1300, 2300} // before a back vowel
)

func vowel(ms float64, from, to [3]float64) phone { return phone{ms: ms, from: from, to: to, voice: 1} }

func nasal(ms float64) phone { return phone{ms: ms, from: klattN, wide: 2, voice: 0.45} }

func glide(ms float64, f [3]float64) phone { return phone{ms: ms, from: f, voice: 0.35} }

func hiss(ms float64, noise string, level float64, f [3]float64) phone {
	return phone{ms: ms, from: f, noise: noise, noiseLevel: level}
}

func buzz(ms float64) phone {
	return phone{ms: ms, from: klattV, wide: 1.5, voice: 0.3, noise: "f", noiseLevel: 0.06}
}

func closure(ms float64, f [3]float64) phone { return phone{ms: ms, from: f} }

func burst(ms float64, noise string, level float64, f [3]float64) phone {
	return phone{ms: ms, from: f, noise: noise, noiseLevel: level, burst: true}
}

func breathed(ms float64, from, to [3]float64) phone {
	return phone{ms: ms, from: from, to: to, wide: 2, breath: 0.5}
}

// word is what is said, and which phone begins with the stressed onset.
type word struct {
	phones []phone
	stress int
}

// Lengths are common practice for clear, unhurried English.
var words = map[string]word{
	"one":   {[]phone{glide(70, klattW), vowel(130, klattAH, klattAH), nasal(110)}, 1},
	"two":   {[]phone{burst(14, "t", 0.5, klattT), breathed(40, klattT, klattT), vowel(220, klattUW, uwEnd)}, 0},
	"three": {[]phone{hiss(100, "th", 0.10, klattTH), glide(60, klattR), vowel(220, klattIY, klattIY)}, 2},
	"four":  {[]phone{hiss(110, "f", 0.12, klattF), vowel(150, klattAO, klattAO), vowel(130, klattRR, klattRR)}, 1},
	"five":  {[]phone{hiss(100, "f", 0.12, klattF), vowel(210, klattAY, ayEnd), buzz(90)}, 1},
	"six":   {[]phone{hiss(120, "s", 0.30, klattS), vowel(100, klattIH, klattIH), closure(55, klattK), burst(22, "k", 0.4, klattK), hiss(130, "s", 0.30, klattS)}, 1},
	"seven": {[]phone{hiss(110, "s", 0.30, klattS), vowel(110, klattEH, klattEH), buzz(60), vowel(60, klattAX, klattAX), nasal(100)}, 1},
	"eight": {[]phone{vowel(170, klattEY, eyEnd), closure(60, klattT), burst(14, "t", 0.5, klattT), breathed(45, klattT, klattT)}, 0},
	"nine":  {[]phone{nasal(80), vowel(210, klattAY, ayEnd), nasal(110)}, 1},
	"ten":   {[]phone{burst(14, "t", 0.5, klattT), breathed(35, klattT, klattEH), vowel(140, klattEH, klattEH), nasal(120)}, 0},
	"eleven": {[]phone{{ms: 60, from: klattIH, voice: 0.4}, glide(65, klattL), vowel(110, klattEH, klattEH), buzz(55),
		vowel(55, klattAX, klattAX), nasal(100)}, 2},
	"twelve": {[]phone{burst(14, "t", 0.5, klattT), breathed(25, klattW, klattW), glide(45, klattW), vowel(120, klattEH, klattEH),
		glide(80, klattL), buzz(80)}, 0},
	"go": {[]phone{{ms: 50, from: klattG, wide: 3, voice: 0.1}, burst(18, "g", 0.45, klattG), vowel(240, klattOW, owEnd)}, 1},
}

// Words lists the words that Say knows, sorted.
func Words() []string {
	var names []string
	for w := range words {
		names = append(names, w)
	}
	slices.Sort(names)
	return names
}

// NumberWord is the word for 1 to 12, and false beyond.
func NumberWord(n int) (string, bool) {
	numbers := [...]string{"one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten", "eleven", "twelve"}
	if n < 1 || n > len(numbers) {
		return "", false
	}
	return numbers[n-1], true
}
