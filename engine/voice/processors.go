package voice

// Lines that a colour is asked about.
const (
	gainLine   = "gain"
	pitchLine  = "pitch"
	drumLine   = "drum"
	kettleLine = "kettle"
	chimeLine  = "chime"
)

// processors are all kinds of line, in the order in which they are told.
func processors() []processor {
	at := func(least, most, usual float64) setting {
		return setting{name: "at", unit: "Hz", least: least, most: most, usual: usual, needed: true}
	}
	semitones := func(most, usual float64) setting {
		return setting{name: "by", unit: "st", least: -most, most: most, usual: usual, needed: true}
	}
	level := func(usual float64) setting {
		return setting{name: "level", unit: "dB", least: -80, most: 24, usual: usual}
	}
	percent := func(name string, usual float64) setting {
		return setting{name: name, unit: "%", most: 100, usual: usual, needed: true}
	}
	fall := func(usual float64) setting {
		return setting{name: "fall", unit: "ms", least: 10, most: 5000, usual: usual}
	}
	q := func(usual float64) setting { return setting{name: "q", least: 0.1, most: 60, usual: usual} }
	lift := setting{name: "by", unit: "dB", least: -36, most: 36, usual: 6, needed: true}
	seed := setting{name: "seed", most: 1e6, usual: 1}
	voice := setting{name: "voice", unit: "dB", least: -100, most: 12, usual: -100}
	return []processor{
		{pitchLine, "higher or lower, formants kept", []setting{semitones(MaxCents/100, -12)}, runPitch},
		{"formants", "a smaller or larger throat, pitch kept", []setting{semitones(MaxFormantCents/100, -3)}, runFormants},
		{"wobble", "the pitch swings up and down", []setting{{"rate", "Hz", 0.05, 12, 3, true}, {"by", "cents", 0, 600, 100, true}}, runWobble},
		{"voices", "a crowd: each singer with a time, pitch and throat of their own", []setting{{"count", "", 1, 32, 6, true},
			{"apart", "cents", 0, 100, 14, false}, {"late", "ms", 0, 120, 30, false}, {"throats", "%", 0, 20, 4, false}, seed}, runVoices},
		{"another", "one other singer in the place of the voice", []setting{{"seed", "", 0, 1e6, 2, true},
			{"apart", "cents", 0, 100, 10, false}, {"late", "ms", 0, 120, 20, false}, {"throat", "%", 0, 20, 2, false}}, runAnother},
		{"octave", "the voice an octave lower beside itself", []setting{level(-3)}, runOctave},
		{"drive", "bent waves: brighter the louder it is", []setting{{"by", "dB", 0, 48, 12, true}, {"even", "%", 0, 100, 20, false}}, runDrive},
		{"lowpass", "takes the high out", []setting{at(20, 40000, 3000), q(0.707)}, runLowpass},
		{"highpass", "takes the low out", []setting{at(5, 20000, 100), q(0.707)}, runHighpass},
		{"peak", "lifts or lowers around a pitch", []setting{at(20, 20000, 400), lift, q(1)}, runPeak},
		{"low-shelf", "lifts or lowers the low", []setting{at(20, 20000, 200), lift}, runLowShelf},
		{"high-shelf", "lifts or lowers the high", []setting{at(20, 20000, 4000), lift}, runHighShelf},
		{"body", "four resonances of a box or tube", []setting{{"at", "Hz", 20, 20000, 280, true}, {"second", "Hz", 20, 20000, 460, false}, {"third", "Hz", 20, 20000, 1000, false},
			{"fourth", "Hz", 20, 20000, 2500, false}, {"width", "Hz", 5, 2000, 60, false}, level(0)}, runBody},
		{"comb", "a short echo on itself", []setting{{"after", "ms", 0.2, 100, 4, true}, {"back", "%", 0, 95, 50, false}, {"mix", "%", 0, 100, 40, false}}, runComb},
		{"tremolo", "the level swings", []setting{{"rate", "Hz", 0.1, 30, 6, true}, percent("by", 40)}, runTremolo},
		{"attack", "notes come in slower", []setting{{"over", "ms", 1, 1000, 80, true}}, runAttack},
		{"breath", "noise that follows the voice's level", []setting{{"level", "dB", -60, 24, -18, true}, {"at", "Hz", 50, 20000, 3000, false}, q(0.7), voice0(voice)}, runBreath},
		{"whistle", "a band of noise on the voice's own pitch", []setting{{"times", "", 0.25, 16, 2, true}, q(12), voice}, runWhistle},
		{drumLine, "each attack becomes a stroke of noise and a tone", []setting{{"noise", "Hz", 50, 16000, 1800, true}, fall(150), {"tone", "Hz", 20, 2000, 180, false},
			{"ring", "ms", 10, 5000, 90, false}, {"wires", "%", 0, 100, 70, false}, voice, seed}, runDrum},
		{kettleLine, "each attack strikes a kettledrum on the sung pitch", []setting{fall(900), voice}, runKettle},
		{chimeLine, "each attack strikes a glass bar on the sung pitch", []setting{fall(1500), voice}, runChime},
		{"academy", "the band of the old optical track", nil, runAcademy},
		{"hiss", "the noise of the track", []setting{{"level", "dBFS", -100, -20, -58, true}, seed}, runHiss},
		{"crackle", "dust and scratches", []setting{{"rate", "/s", 0.01, 200, 6, true}, level(-30), seed}, runCrackle},
		{"wow", "slow unevenness of speed", []setting{{"by", "%", 0, 2, 0.25, true}, {"rate", "Hz", 0.1, 4, 0.6, false}, seed}, runWow},
		{"flutter", "quick unevenness of speed", []setting{{"by", "%", 0, 1, 0.1, true}, {"rate", "Hz", 4, 100, 9.6, false}, seed}, runFlutter},
		{"optical", "all of the old optical sound at once", []setting{percent("by", 50), seed}, runOptical},
		{gainLine, "louder or softer than it was sung", []setting{{"by", "dB", -60, 24, -3, true}}, nil},
	}
}

// voice0 is a voice that stays as it is unless it is told.
func voice0(s setting) setting {
	s.usual = 0
	return s
}
