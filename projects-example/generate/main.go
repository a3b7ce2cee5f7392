// Command generate draws the example's film, plays its sound, and hands both to
// ffmpeg (needed here only, on the PATH, with libx264) to write trailer.mp4:
//
//	go run ./projects-example/generate [projects-example/trailer.mp4]
package main

import (
	"bufio"
	"encoding/binary"
	"fmt"
	"image"
	"io"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"time"

	"cuechoir/projects-example/draw"
	"cuechoir/projects-example/sound"
)

const sampleRate = 48000

func main() {
	path := "projects-example/trailer.mp4"
	if len(os.Args) > 1 {
		path = os.Args[1]
	}
	if err := generate(path); err != nil {
		fmt.Fprintln(os.Stderr, "generate:", err)
		os.Exit(1)
	}
}

func generate(path string) error {
	dir, err := os.MkdirTemp("", "trailer")
	if err != nil {
		return err
	}
	defer os.RemoveAll(dir)
	wav := filepath.Join(dir, "sound.wav")
	if err := writeWAV(wav, sound.Render(sampleRate)); err != nil {
		return err
	}
	made := filepath.Join(dir, "trailer.mp4")
	cmd := exec.Command("ffmpeg", "-hide_banner", "-loglevel", "warning", "-y",
		"-f", "rawvideo", "-pix_fmt", "gray", "-s", fmt.Sprintf("%dx%d", draw.Width, draw.Height), "-r", draw.Rate.String(), "-i", "pipe:0",
		"-i", wav, "-map", "0:v", "-map", "1:a",
		"-c:v", "libx264", "-preset", "veryslow", "-crf", "28", "-g", "120", "-pix_fmt", "yuv420p",
		"-c:a", "aac", "-ac", "1", "-b:a", "72k",
		"-timecode", draw.StartTimecode, "-metadata", "title=The Lantern of Orrow Deep",
		"-fflags", "+bitexact", "-flags:v", "+bitexact", "-flags:a", "+bitexact", "-movflags", "+faststart", made)
	cmd.Stderr = os.Stderr
	pipe, err := cmd.StdinPipe()
	if err != nil {
		return err
	}
	if err := cmd.Start(); err != nil {
		return fmt.Errorf("ffmpeg does not start (install it to make the film anew): %w", err)
	}
	drawErr := drawAll(pipe)
	pipe.Close()
	if err := cmd.Wait(); err != nil {
		return fmt.Errorf("ffmpeg: %w", err)
	}
	if drawErr != nil {
		return drawErr
	}
	data, err := os.ReadFile(made)
	if err != nil {
		return err
	}
	return os.WriteFile(path, data, 0o644)
}

// drawAll sends every frame, two drawn at a time, in order.
func drawAll(w io.Writer) error {
	const artists = 2
	ready := make([]chan *image.Gray, artists)
	quit := make(chan struct{})
	defer close(quit)
	for k := range ready {
		ready[k] = make(chan *image.Gray, 8)
		go func() {
			a := draw.NewArtist()
			for n := int64(k); n < draw.Frames; n += artists {
				select {
				case ready[k] <- a.Frame(n):
				case <-quit:
					return
				}
			}
		}()
	}
	started := time.Now()
	for n := range int64(draw.Frames) {
		if _, err := w.Write((<-ready[n%artists]).Pix); err != nil {
			return err
		}
		if n%250 == 249 {
			fmt.Fprintln(os.Stderr, "frame "+strconv.FormatInt(n+1, 10), "of", draw.Frames, time.Since(started).Round(time.Second))
		}
	}
	return nil
}

// writeWAV writes 16-bit mono (IBM & Microsoft 1991).
func writeWAV(path string, x []float32) error {
	f, err := os.Create(path)
	if err != nil {
		return err
	}
	defer f.Close()
	w := bufio.NewWriter(f)
	size := uint32(2 * len(x))
	header := []any{[]byte("RIFF"), 36 + size, []byte("WAVEfmt "), uint32(16), uint16(1), uint16(1),
		uint32(sampleRate), uint32(2 * sampleRate), uint16(2), uint16(16), []byte("data"), size}
	for _, v := range header {
		if err := binary.Write(w, binary.LittleEndian, v); err != nil {
			return err
		}
	}
	for _, s := range x {
		v := int16(math.Round(float64(max(-1, min(1, s))) * 32767))
		if _, err := w.Write([]byte{byte(v), byte(uint16(v) >> 8)}); err != nil {
			return err
		}
	}
	if err := w.Flush(); err != nil {
		return err
	}
	return f.Close()
}
