package beats

import (
	"slices"
	"testing"
)

func TestNumbers(t *testing.T) {
	var b []Beat
	for i, s := range []int64{0, 100, 200, 300, 400, 650, 750, 850, 1150, 1250, 1350} { // held for 2.5, a pause of 3
		b = append(b, Beat{Sample: s, Downbeat: i == 1 || i == 4 || i == 5})
	}
	got := Numbers(b)
	want := []int{0, 1, 2, 3, 4, 7, 8, 9, 12, 13, 14}
	if !slices.Equal(got, want) {
		t.Fatalf("%v, want %v", got, want)
	}
	if p := FirstBar(b, got, 3); p != 1 {
		t.Errorf("bars begin at %d, want 1: beats 1, 4 and 7", p)
	}
	if Numbers(nil) != nil || FirstBar(nil, nil, 0) != 0 {
		t.Error("nothing has numbers")
	}
	if got := Numbers(b[:1]); !slices.Equal(got, []int{0}) {
		t.Errorf("one beat: %v", got)
	}
	if got := Numbers(b[:2]); !slices.Equal(got, []int{0, 1}) {
		t.Errorf("two beats: %v", got)
	}
}
