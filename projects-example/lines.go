package example

// trumpet has the tune: a rising fourth and a step, brighter each time.
func trumpet() []Note {
	var n []Note
	n = line(n, 3, "ta", step{72, 3}, step{72, 1}, step{76, 4}, step{72, 4}, step{71, 4})
	n = line(n, 5, "ta", step{71, 2}, step{76, 3}, step{78, 1}, step{79, 2})
	n = line(n, 6, "ta", step{79, 2}, step{78, 1}, step{76, 1}, step{74, 4})
	n = line(n, 7, "ta", step{76, 4}, step{74, 2}, step{78, 2})
	n = line(n, 8, "ta", step{76, 2}, step{72, 2}, step{76, 4})
	n = line(n, 9, "ta", step{77, 3}, step{76, 1}, step{72, 4}, step{71, 4}, step{75, 4})
	n = line(n, 13, "ta", step{0, 4}, step{72, 2}, step{77, 2}, step{77, 4}, step{75, 4})
	n = line(n, 15, "ta", step{76, 4}, step{71, 4}, step{72, 4}, step{76, 4}, step{76, 4}, step{77, 4})
	n = line(n, 18, "ta", step{74, 2}, step{79, 3}, step{78, 1}, step{78, 2})
	n = line(n, 19, "ta", step{79, 2}, step{76, 2}, step{78, 2}, step{81, 2}, step{78, 4}, step{75, 4})
	n = line(n, 21, "ta", step{76, 2}, step{80, 2}, step{83, 4})
	n = line(n, 22, "ta", step{79, 4}, step{78, 2}, step{81, 2})
	return line(n, 23, "ta", step{83, 16})
}

func hornOne() []Note {
	n := held(nil, 3, 4, 1, 64, "pa")
	n = pulse(n, 5, 7, 64, 2, "pa", 1, 2, 1, 1)
	n = held(n, 8, 10, 2, 64, "pa")
	n = held(n, 13, 17, 1, 64, "pa")
	n = pulse(n, 18, 19, 64, 2, "pa", 2, 1, 1, 2)
	return held(n, 20, 24, 1, 64, "pa")
}

func hornTwo() []Note {
	n := held(nil, 3, 4, 0, 60, "pa")
	n = pulse(n, 5, 7, 59, 2, "pa", 0, 0, 2, 0)
	n = held(n, 8, 10, 0, 59, "pa")
	n = held(n, 14, 17, 2, 59, "pa")
	n = pulse(n, 18, 19, 59, 2, "pa", 0, 2, 0, 0)
	return held(n, 20, 24, 2, 60, "pa")
}

func trombone() []Note {
	n := held(nil, 3, 4, 2, 53, "po")
	n = held(n, 5, 10, 0, 52, "po")
	n = held(n, 15, 17, 0, 52, "po")
	return held(n, 18, 24, 0, 52, "po")
}

// violin keeps the sea moving: broken chords in eighths.
func violin() []Note {
	n := pulse(nil, 5, 8, 72, 1, "nu", 0, 2, 1, 2)
	n = pulse(n, 11, 12, 74, 2, "nu", 2, 1, 0, 1)
	n = pulse(n, 16, 17, 74, 2, "nu", 1, 2, 0, 2)
	n = pulse(n, 18, 20, 72, 1, "nu", 0, 1, 2, 1)
	return held(n, 21, 24, 2, 74, "nu")
}

func viola() []Note {
	n := held(nil, 1, 2, 1, 62, "nu")
	n = pulse(n, 5, 10, 62, 2, "nu", 1, 1, 2, 1)
	n = held(n, 11, 12, 1, 64, "nu")
	n = pulse(n, 15, 20, 62, 2, "nu", 2, 1, 2, 1)
	return held(n, 21, 24, 1, 62, "nu")
}

func cello() []Note {
	n := held(nil, 1, 4, 2, 53, "nu")
	n = pulse(n, 5, 10, 50, 2, "nu", 0, 2, 0, 2)
	n = held(n, 11, 14, 0, 53, "nu")
	n = pulse(n, 15, 20, 50, 2, "nu", 0, 0, 2, 0)
	return held(n, 21, 24, 2, 52, "nu")
}

func contrabass() []Note {
	n := held(nil, 1, 4, 0, 45, "mo")
	n = pulse(n, 5, 10, 45, 4, "mo", 0, 0)
	n = held(n, 11, 17, 0, 45, "mo")
	n = pulse(n, 18, 20, 45, 4, "mo", 0, 0)
	return held(n, 21, 24, 0, 45, "mo")
}

// choir comes in where the sea shows what it has.
func choir(which, centre int) []Note {
	n := held(nil, 3, 4, which, centre, "a")
	n = held(n, 8, 10, which, centre, "o")
	n = held(n, 15, 17, which, centre, "a")
	n = held(n, 20, 22, which, centre, "a")
	// the last chord is one breath of two bars
	return line(n, 23, "a", step{harmony[22][0].tone(which, centre), 16})
}

// drum is any key: the layer is unpitched, and its notes carry key 0.
const drum = 1

func drums(n []Note, bar int, lyric string, steps ...step) []Note {
	from := len(n)
	n = line(n, bar, lyric, steps...)
	for i := range n[from:] {
		n[from+i].Key = 0
	}
	return n
}

func timpani() []Note {
	var n []Note
	for _, bar := range []int{3, 5, 8, 11, 15, 18, 21, 23} { // each hit at a bar line
		n = drums(n, bar, "b", step{drum, 2}, step{0, 4}, step{drum, 1}, step{drum, 1})
		switch bar {
		case 5, 18:
			n = drums(n, bar+1, "b", step{drum, 4}, step{drum, 4})
		case 11:
			n = drums(n, 13, "b", step{0, 4}, step{drum, 4}) // through the glass
		}
	}
	return n
}

func snare() []Note {
	var n []Note
	for bar := 5; bar <= 20; bar++ {
		if bar >= 11 && bar <= 14 {
			continue
		}
		n = drums(n, bar, "t", step{drum, 2}, step{drum, 1}, step{drum, 1}, step{drum, 2}, step{drum, 2})
	}
	return n
}

func cymbal() []Note {
	var n []Note
	for _, bar := range []int{3, 5, 8, 15, 18, 21, 23} {
		n = drums(n, bar, "ts", step{drum, 8})
	}
	return n
}
