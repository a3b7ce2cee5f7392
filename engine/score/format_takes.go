package score

// The form of comps and marks in score.toml: a line each.
type (
	fileSpan struct {
		Take    string `toml:"take"`
		From    int64  `toml:"from"`
		To      int64  `toml:"to"`
		In      int64  `toml:"in"`
		InFade  int64  `toml:"in_fade"`
		Out     int64  `toml:"out"`
		OutFade int64  `toml:"out_fade"`
	}
	fileMark struct {
		Take   string `toml:"take"`
		Nudge  int64  `toml:"nudge,omitempty"`
		Rating int    `toml:"rating,omitempty"`
		Note   string `toml:"note,omitempty"`
	}
)

func (f *fileLayer) setTakes(l Layer) {
	for _, s := range l.Comp {
		f.Comp = append(f.Comp, fileSpan{s.Take, s.From, s.To, s.In.At, s.In.Fade, s.Out.At, s.Out.Fade})
	}
	for _, m := range l.Marks {
		f.Takes = append(f.Takes, fileMark(m))
	}
}

func (f fileLayer) readTakes(l *Layer) {
	for _, s := range f.Comp {
		l.Comp = append(l.Comp, Span{s.Take, s.From, s.To, Joint{s.In, s.InFade}, Joint{s.Out, s.OutFade}})
	}
	for _, m := range f.Takes {
		l.Marks = append(l.Marks, Mark(m))
	}
}
