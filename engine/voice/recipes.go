package voice

import "slices"

// Recipe is a colour that has a name. Its lines are copied into a score and
// are the score's own from then on.
type Recipe struct {
	Name, What string
	Lines      []string
}

// Recipes are what a score of voices needs; their figures are set by ear and by
// common practice. Body resonances of the violin after Fletcher & Rossing, The
// Physics of Musical Instruments (1998), from memory.
func Recipes() []Recipe {
	return []Recipe{
		{"low-brass", "trombones and tuba, an octave under what is sung: \"poh\"", []string{"pitch -12 st", "formants -3 st", "drive 14 dB even 30 %", "peak 450 Hz 5 dB q 1", "lowpass 3500 Hz", "attack 40 ms"}},
		{"high-brass", "trumpets and horns: sing \"tah\"", []string{"formants 2 st", "drive 18 dB even 30 %", "peak 1200 Hz 6 dB q 1", "highpass 180 Hz", "lowpass 7000 Hz"}},
		{"strings", "a section: sing \"ee\" softly", []string{"formants -1 st", "voices 6 apart 12 cents late 22 ms seed 3", "body 280 Hz second 460 Hz third 550 Hz fourth 2500 Hz width 90 Hz level -3 dB", "drive 6 dB", "attack 90 ms", "highpass 120 Hz"}},
		{"bass", "the octave under a singer", []string{"pitch -12 st", "formants -2 st", "low-shelf 180 Hz 9 dB", "lowpass 1000 Hz"}},
		{"timpani", "say \"dum\" on the pitch", []string{"kettle fall 1100 ms voice -24 dB", "lowpass 1500 Hz"}},
		{"snare", "say \"ta\" or \"ka\"", []string{"drum 2200 Hz fall 160 ms tone 185 Hz ring 90 ms wires 75 %", "highpass 110 Hz"}},
		{"cymbal", "say \"ts\" or \"ksh\"", []string{"drum 7500 Hz fall 1400 ms tone 400 Hz ring 30 ms wires 100 %", "highpass 2500 Hz"}},
		{"choir", "one singer, twelve voices", []string{"voices 12 apart 16 cents late 40 ms throats 5 % seed 5", "high-shelf 5000 Hz -3 dB"}},
		{"glass", "say \"ting\" on the pitch", []string{"pitch 12 st", "chime fall 1800 ms voice -30 dB", "highpass 300 Hz"}},
		{"wind", "sing a slow \"oo\" up and down", []string{"whistle 2 q 9", "whistle 1 q 3 voice -3 dB", "attack 250 ms"}},
		{"alarm", "hold one note", []string{"wobble 2.4 Hz 180 cents", "drive 36 dB even 0 %", "peak 1800 Hz 8 dB q 1.5", "highpass 300 Hz"}},
		{"crowd", "a hall full of one person", []string{"voices 24 apart 30 cents late 80 ms throats 8 % seed 7"}},
		{"double", "a second singer on the same line", []string{"voices 2 apart 8 cents late 18 ms throats 2 % seed 2"}},
		{"octave", "an octave under the line, with it", []string{"octave level -4 dB"}},
		{"old-optical", "the sound of an old print, for a voice-over or the whole", []string{"optical 60 % seed 1"}},
	}
}

// FindRecipe is the recipe of a name.
func FindRecipe(name string) (Recipe, bool) {
	all := Recipes()
	i := slices.IndexFunc(all, func(r Recipe) bool { return r.Name == name })
	if i < 0 {
		return Recipe{}, false
	}
	return all[i], true
}
