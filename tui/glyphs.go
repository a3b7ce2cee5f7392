package tui

// glyphs are the shapes of one screen. Every state has a shape of its own, so
// that nothing is told by colour alone.
type glyphs struct {
	sign                       string // of the program, before the title
	more, gate, barline, dot   rune
	perf, leader               rune
	cut, dissolve, fade, other rune
	frameLine, gone            rune
	must, want, missed         rune
	barTick, beatTick          rune
	reel, reelCut, reelCuts    rune // outside the window
	here, hereCut, hereCuts    rune // inside it
	reelGate                   rune
	chosen, sung, unsung, mute rune
	riser                      [4]rune // of a group: alone, first, middle, last
	sungAt, unsungAt           []rune  // heights of a note in its line, low to high
	onset, body, bodyUnsung    rune
	bodyMuted                  rune
	sharp                      string
	rule                       rune
	wave                       []rune // heights of sound, nothing to most
	meter, held, track         rune   // of a level
	moves                      rune   // of a fader
	fader                      rune
	voiced                     [3]rune // a reading of a voice: high, middle and low in its row
	digit                      rune    // of which big figures are made
	runner, wake               rune    // of the streamer
	playing, sings             rune
	done, open                 rune // of a list of what is to be done
	star                       rune
	pin, tap                   rune
	half                       bool            // half blocks can be drawn
	marks                      map[string]rune // of findings, by kind
	unknown                    rune            // a kind that is not among marks
}

func drawnGlyphs() *glyphs {
	return &glyphs{
		sign: "▞▚", more: '…', gate: '│', barline: '┊', dot: '·',
		perf: '▪', leader: '╱',
		cut: '▌', dissolve: '▒', fade: '░', other: '¦',
		frameLine: '╎', gone: '░',
		must: '▼', want: '▽', missed: '×',
		barTick: '╿', beatTick: '╵',
		reel: '─', reelCut: '┴', reelCuts: '╨',
		here: '═', hereCut: '╧', hereCuts: '╩', reelGate: '◆',
		chosen: '▸', sung: '●', unsung: '○', mute: '⊘',
		riser:  [4]rune{'╶', '╭', '│', '╰'},
		sungAt: []rune("▁▂▃▄▅▆▇█"), unsungAt: []rune("⣀⠤⠒⠉"),
		onset: '┣', body: '━', bodyUnsung: '╌', bodyMuted: '·', sharp: "♯", rule: '─',
		marks: map[string]rune{
			"flat": '♭', "sharp": '♯', "wrong": '≠', "missing": '∅', "extra": '+', "early": '‹', "late": '›',
			"drift": '∿', "tuned-low": '↓', "tuned-high": '↑', "all-early": '«', "all-late": '»',
			"dropout": '‼', "clipping": '⊓', "no-sound": '∄',
		},
		unknown: '!',
		wave:    []rune(" ▁▂▃▄▅▆▇█"), moves: '⇅', meter: '▮', held: '▏', track: '·', fader: '┃', voiced: [3]rune{'˙', '•', '.'}, digit: '█',
		runner: '▶', wake: '▬', playing: '▶', sings: '◉', done: '✓', open: '○', star: '★', pin: '⌖', tap: '╹', half: true,
	}
}

func plainGlyphs() *glyphs {
	return &glyphs{
		sign: "%%", more: '~', gate: '|', barline: ':', dot: '.',
		perf: 'o', leader: '/',
		cut: '|', dissolve: '%', fade: ':', other: '!',
		frameLine: '\'', gone: ':',
		must: 'V', want: 'v', missed: 'x',
		barTick: 'I', beatTick: '\'',
		reel: '-', reelCut: '+', reelCuts: '#',
		here: '=', hereCut: '*', hereCuts: '@', reelGate: '^',
		chosen: '>', sung: '@', unsung: 'o', mute: 'x',
		riser:  [4]rune{'-', '/', '|', '\\'},
		sungAt: []rune("=*%#"), unsungAt: []rune("_-~\""),
		onset: '[', body: '=', bodyUnsung: '-', bodyMuted: '.', sharp: "#", rule: '-',
		marks: map[string]rune{
			"flat": 'F', "sharp": 'S', "wrong": 'W', "missing": 'M', "extra": 'X', "early": 'E', "late": 'L',
			"drift": 'D', "tuned-low": 'T', "tuned-high": 'H', "all-early": 'A', "all-late": 'Z',
			"dropout": 'O', "clipping": 'C', "no-sound": 'N',
		},
		unknown: '!',
		wave:    []rune(" .:-=+*#@"), moves: '"', meter: '=', held: '|', track: '.', fader: '#', voiced: [3]rune{'\'', '*', '.'}, digit: '#',
		runner: '>', wake: '-', playing: '>', sings: '@', done: 'x', open: 'o', star: '*', pin: '+', tap: '\'',
	}
}

func (g *glyphs) mark(kind string) rune {
	if r, ok := g.marks[kind]; ok {
		return r
	}
	return g.unknown
}

// legendRow is a mark and what it means, as the list of keys shows them.
type legendRow struct {
	Mark  string
	Words string
	Ink   Ink
}

// legend lists every mark of the screen that is not a plain word.
func (g *glyphs) legend() []legendRow {
	heights := func(r []rune) string { return string(r[0]) + string(r[len(r)/2]) + string(r[len(r)-1]) }
	return []legendRow{
		{string(g.perf), "two cells of film", InkEdge}, {string(g.leader), "no film", InkLeader},
		{string(g.cut), "hard cut", InkFilm}, {string(g.dissolve), "dissolve", InkFilm}, {string(g.fade), "fade", InkFilm},
		{string(g.must), "must-hit", InkMust}, {string(g.want), "want-hit", InkWant},
		{string(g.missed), "hit not caught", InkFinding},
		{string(g.barTick), "bar", InkBar}, {string(g.beatTick), "beat", InkBar},
		{string(g.sung), "sung layer", InkSung}, {string(g.unsung), "not sung yet", InkUnsung}, {string(g.mute), "muted", InkMuted},
		{heights(g.sungAt), "sung, low to high", InkSung}, {heights(g.unsungAt), "to sing, low to high", InkUnsung},
		{string(g.reelGate), "gate on the reel", InkGate},
		{string(g.voiced[1]), "pitch of the voice", InkTrace}, {string(g.pin), "beat pinned here", InkBar}, {string(g.tap), "beat tapped", InkBar}, {string(g.moves), "fader that moves", InkBar},
	}
}

// findingLegend lists the marks of findings, the check's kinds in its order.
func (g *glyphs) findingLegend() []legendRow {
	var rows []legendRow
	for _, k := range []string{"flat", "sharp", "wrong", "missing", "extra", "early", "late", "drift", "tuned-low",
		"tuned-high", "all-early", "all-late", "dropout", "clipping", "no-sound"} {
		rows = append(rows, legendRow{string(g.marks[k]), k, InkFinding})
	}
	return append(rows, legendRow{string(g.unknown), "another", InkFinding})
}
