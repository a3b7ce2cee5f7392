package take

import (
	"path/filepath"
	"testing"
	"time"
)

// Before a take is begun there is as much room as the take itself then tells.
func TestRoomBeforeATake(t *testing.T) {
	dir := t.TempDir()
	before, ok := RoomIn(dir, 48000)
	if !ok {
		t.Skip("LOUD SKIP: this system does not tell how much of a disk is free")
	}
	w, err := Create(dir, "alto", Info{SampleRate: 48000})
	if err != nil {
		t.Fatal(err)
	}
	if err := w.Append(make([]float32, 48000)); err != nil {
		t.Fatal(err)
	}
	told, ok := w.Room()
	if _, err := w.Finish(); err != nil {
		t.Fatal(err)
	}
	// Others use the disk too: a twentieth is let pass.
	if !ok || (told-before).Abs() > before/20+time.Minute {
		t.Errorf("before the take there was room for %v, in it for %v (known: %v)", before, told, ok)
	}
	if half, _ := RoomIn(dir, 96000); (2*half - before).Abs() > before/20+time.Minute {
		t.Errorf("at twice the rate there is room for %v, want half of %v", half, before)
	}
	if _, ok := RoomIn(filepath.Join(dir, "gone"), 48000); ok {
		t.Error("a folder that is not there has room")
	}
}
