package rt

import "testing"

// Several inputs come out as they went in, each in its place, in the order asked
// for, with what is lost; each has a meter of its own.
func TestSeveralInputs(t *testing.T) {
	const channels, total = 4, 6000
	for _, block := range []int{1, 63, 480, 1500} {
		s := New(Config{InChannels: channels, Inputs: []int{2, 0, 3}, CaptureAhead: total})
		value := func(at, channel int) float32 { return float32(at%1000+1) * float32(channel+1) / 8192 }
		in := make([]float32, block*channels)
		for at := 0; at < total; at += block {
			for i := range block {
				for c := range channels {
					in[i*channels+c] = value(at+i, c)
				}
			}
			if given := in; at/block == 3 {
				s.Callback(nil, nil, block) // the device lost these
			} else {
				s.Callback(nil, given, block)
			}
		}
		s.Finish()
		got := make([]float32, 700)
		at := 0
		for {
			n, lost := s.Capture(got)
			if n == 0 {
				break
			}
			for i := range n {
				for k, c := range []int{2, 0, 3} {
					want := value(at+i, c)
					if lost {
						want = 0
					}
					if gone := (at+i)/block == 3; got[i*3+k] != want || gone != lost {
						t.Fatalf("block %d: frame %d, input %d reads %v, want %v; lost %v", block, at+i, k, got[i*3+k], want, lost)
					}
				}
			}
			at += n
		}
		if at < total || s.Inputs() != 3 {
			t.Fatalf("block %d: %d frames of %d inputs", block, at, s.Inputs())
		}
		for k, c := range []int{2, 0, 3} {
			if got, want := s.InputPeak(k), float32(1000*(c+1))/8192; got != want && block < 1000 {
				t.Errorf("block %d: input %d peaks at %v, want %v", block, k, got, want)
			}
		}
	}
}

// A ring that is full of several inputs loses whole frames.
func TestSeveralInputsOverrun(t *testing.T) {
	s := New(Config{InChannels: 3, CaptureAhead: 100, Inputs: []int{0, 1, 2}})
	room := s.CaptureSize()
	in := make([]float32, 3*50)
	for at := 0; at < 400; at += 50 {
		for i := range in {
			in[i] = float32(at + i/3 + 1)
		}
		s.Callback(nil, in, 50)
	}
	got := make([]float32, 3*400)
	n, lost := s.Capture(got)
	if lost || n != room {
		t.Fatalf("%d frames, lost %v, of a ring of %d", n, lost, room)
	}
	for i := range 3 * n {
		if got[i] != float32(i/3+1) {
			t.Fatalf("sample %d is %v", i, got[i])
		}
	}
	if _, _, _, gone := s.Counts(); gone != int64(400-room) {
		t.Fatalf("%d frames are told as lost, %d were", gone, 400-room)
	}
}
