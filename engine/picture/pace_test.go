package picture

import (
	"testing"
	"time"

	"cuechoir/internal/decoder"
)

func TestPace(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		engine      decoder.Engine
		spent       time.Duration
		done, total int64
		what, after string
	}{
		{decoder.Embedded, 4 * time.Second, 10, 10_000, "reading the picture", ""},
		{decoder.Embedded, 10 * time.Second, 100, 500, "reading the picture", ""},
		// 10 pictures a second: 5900 more take 590 s, and 197 s at three times the speed.
		{decoder.Embedded, 10 * time.Second, 100, 6000, "reading the picture: about 10 min more; with ffmpeg installed about 4 min", ""},
		{decoder.Native, 10 * time.Second, 100, 6000, "reading the picture: about 10 min more", ""},
		{decoder.Embedded, 10 * time.Second, 0, 6000, "reading the picture", ""},
		{decoder.Embedded, 10 * time.Second, 100, 0, "reading the picture", ""},
		{decoder.Embedded, 590 * time.Second, 6000, 6000, "reading the picture",
			"reading the picture took 10 min with the embedded decoder; with ffmpeg installed it would take about 4 min"},
		{decoder.Native, 590 * time.Second, 6000, 6000, "reading the picture", ""},
	} {
		now := time.Unix(1000, 0)
		p := newPace(c.engine, func() time.Time { return now })
		now = now.Add(c.spent)
		if got := p.what(c.done, c.total); got != c.what {
			t.Errorf("%+v: %q", c, got)
		}
		if got := p.after(); got != c.after {
			t.Errorf("%+v: afterwards %q", c, got)
		}
	}
}
