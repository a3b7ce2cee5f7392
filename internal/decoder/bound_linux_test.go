package decoder

import (
	"context"
	"fmt"
	"os"
	"slices"
	"strings"
	"testing"
)

// TestNativeMemoryBound reads the bound where the kernel keeps it, proc(5).
func TestNativeMemoryBound(t *testing.T) {
	needNative(t)
	s := open(t, endless(t), Options{Engine: Native})
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	limits := ""
	s.Run(ctx, Step{Tool: "ffmpeg", After: endlessArgs, Stdout: func([]byte) error {
		for _, kid := range childrenOf(os.Getpid()) {
			if b, err := os.ReadFile("/proc/" + kid + "/limits"); err == nil {
				limits += string(b)
			}
		}
		cancel()
		return context.Canceled
	}})
	for line := range strings.Lines(limits) {
		if f := strings.Fields(line); len(f) > 4 && strings.HasPrefix(line, "Max data size") && f[3] == fmt.Sprint(nativeMemory) {
			return
		}
	}
	t.Errorf("no bound of %d bytes in %q", nativeMemory, limits)
}

// TestFormatsThatReadOtherFiles: none of FFmpeg's forms that are lists, or look
// for their own parts beside them, is opened.
func TestFormatsThatReadOtherFiles(t *testing.T) {
	open := strings.Split(readable, ",")
	for _, form := range []string{"hls", "concat", "dash", "image2", "image2pipe", "sdp", "rtsp", "mlv", "vobsub", "imf", "lavfi", "tedcaptions", "webm_dash_manifest"} {
		if slices.Contains(open, form) {
			t.Errorf("%s is opened", form)
		}
	}
}
