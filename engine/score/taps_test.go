package score

import (
	"slices"
	"strings"
	"testing"

	"cuechoir/internal/fault"
)

// The score runs at 24000/1001 frames a second: 2002 samples a frame.
func TestReadTaps(t *testing.T) {
	s := sample()
	for _, c := range []struct {
		table    string
		want     []int64
		problems []string
	}{
		{"seconds\n1\n0.5\n2.00001\n", []int64{24000, 48000, 96000}, nil}, // 96000.48
		{"0.5\n1.25s\n24\n01:00:02:00\n", []int64{24000, 48 * 2002 / 2, 60000, 48 * 2002}, nil},
		{"sample\n5\n5\n3\n", []int64{3, 5}, nil},
		{"timecode\n01:00:00:01\n00:00:00:00\n", []int64{2002}, []string{"outside"}},
		{"frame,seconds\n2,\n,1\n1440,\n-1,\n,x\n,1e9\n,-1\n", []int64{4004, 48000}, []string{"outside", "outside", "seconds", "seconds", "seconds"}},
		{"sample\n99999999999999999999\n-1\n2882880\n", nil, []string{"not a sample", "outside", "outside"}},
		{"", nil, nil},
	} {
		got, problems, err := ReadTaps(strings.NewReader(c.table), "taps.csv", s)
		if err != nil || !slices.Equal(got, c.want) || len(problems) != len(c.problems) {
			t.Errorf("%q: %v %v %v, want %v", c.table, got, problems, err, c.want)
			continue
		}
		for i, p := range problems {
			if !strings.Contains(p.What, c.problems[i]) {
				t.Errorf("%q: line %d: %s, want %s", c.table, p.Line, p.What, c.problems[i])
			}
		}
	}
}

func TestTapsAreValidated(t *testing.T) {
	for name, taps := range map[string][]int64{"before": {-1}, "behind": {2882880}, "twice": {5, 5}, "not in order": {6, 5}, "too many": make([]int64, MaxTaps+1)} {
		s := sample()
		s.Taps = taps
		if err := s.Validate(); err == nil || !strings.Contains(err.Error(), "[taps]") {
			t.Errorf("%s: %v", name, err)
		}
	}
}

func FuzzReadTaps(f *testing.F) {
	for _, s := range []string{"seconds\n1\n0.5\n", "0.5\n1.25s\n24\n01:00:02:00\n", "sample;frame\n5;\n;7\n", "timecode\n01:00:00:01\n", "seconds\n1e99\n1/0\n-0.0s\n", "\xff", "frame\n9223372036854775807\n"} {
		f.Add(s)
	}
	s := sample()
	f.Fuzz(func(t *testing.T, table string) {
		taps, _, err := ReadTaps(strings.NewReader(table), "taps.csv", s)
		if err != nil {
			if fault.KindOf(err) == fault.Unexpected {
				t.Fatalf("an error without a kind: %v", err)
			}
			return
		}
		if len(taps) > MaxTaps {
			return
		}
		s := sample()
		s.Taps = taps
		if err := s.Validate(); err != nil {
			t.Fatalf("what was read is not valid: %v", err)
		}
	})
}
