package rehearse

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"os/exec"
	"strings"
	"time"

	"cuechoir/internal/fault"
)

// Encoder is the path of the native ffmpeg. Errors: Missing, when there is
// none on PATH.
func Encoder() (string, error) {
	path, err := exec.LookPath("ffmpeg")
	if err != nil {
		return "", fault.New(fault.Missing, "a picture is written by ffmpeg, and there is none on this machine's PATH").
			Mended("install ffmpeg, or ask for a .wav")
	}
	return path, nil
}

// WriteVideo writes the plan's picture with the sound of a WAV file to path, an
// MP4 of the reference's rate; what is at path is written over. ffmpeg is
// called with fixed arguments, no shell and no network protocol. progress is
// told the frames done; it may be nil. Errors: Missing (no ffmpeg),
// Interrupted, Unexpected (ffmpeg failed, with its own words), and still's.
func WriteVideo(ctx context.Context, path, wav string, p *Plan, start int64, still Still, progress func(done, total int64)) error {
	program, err := Encoder()
	if err != nil {
		return err
	}
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	cmd := exec.CommandContext(ctx, program, "-hide_banner", "-loglevel", "error", "-nostats",
		"-protocol_whitelist", "file,pipe",
		"-f", "rawvideo", "-pixel_format", "gray", "-video_size", fmt.Sprintf("%dx%d", Width, Height),
		"-framerate", fmt.Sprintf("%d/%d", p.Rate.Num, p.Rate.Den), "-i", "pipe:0",
		"-protocol_whitelist", "file,pipe", "-f", "wav", "-i", "file:"+wav,
		"-map", "0:v", "-map", "1:a", "-pix_fmt", "yuv420p", "-c:a", "aac", "-b:a", "160k",
		"-movflags", "+faststart", "-f", "mp4", "-y", "file:"+path)
	cmd.WaitDelay = 5 * time.Second
	said := &complaint{}
	cmd.Stderr = said
	in, err := cmd.StdinPipe()
	if err != nil {
		return err
	}
	if err := cmd.Start(); err != nil {
		return fault.New(fault.Missing, "ffmpeg could not be started").Because(err)
	}
	drawErr, pipeErr := p.pour(ctx, in, start, still, progress)
	in.Close()
	if drawErr != nil {
		cancel() // half a picture is of no use
	}
	waitErr := cmd.Wait()
	switch {
	case drawErr != nil:
		return drawErr
	case ctx.Err() != nil:
		return fault.New(fault.Interrupted, "writing the picture was stopped").Because(ctx.Err())
	case waitErr != nil:
		return fault.New(fault.Unexpected, "ffmpeg could not write the picture (%s)", said).In(path, "").Because(waitErr)
	case pipeErr != nil:
		return fault.New(fault.Unexpected, "ffmpeg took no more of the picture (%s)", said).In(path, "").Because(pipeErr)
	}
	return nil
}

// pour draws each frame and writes it. A broken pipe is told apart: ffmpeg's
// own words say why.
func (p *Plan) pour(ctx context.Context, w io.Writer, start int64, still Still, progress func(done, total int64)) (drawErr, pipeErr error) {
	frame := make([]byte, Width*Height)
	for j := range p.Frames {
		if ctx.Err() != nil {
			return nil, nil
		}
		if err := p.Draw(frame, j, start, still); err != nil {
			return err, nil
		}
		if _, err := w.Write(frame); err != nil {
			return nil, err
		}
		if progress != nil {
			progress(j+1, p.Frames)
		}
	}
	return nil, nil
}

// complaint keeps the first kilobyte of what a program complains of: its reason.
type complaint struct{ b bytes.Buffer }

func (l *complaint) Write(p []byte) (int, error) {
	if room := 1024 - l.b.Len(); room > 0 {
		l.b.Write(p[:min(len(p), room)])
	}
	return len(p), nil
}

func (l *complaint) String() string {
	line, _, _ := strings.Cut(strings.TrimSpace(l.b.String()), "\n")
	if len(line) > 200 {
		line = line[:200]
	}
	return fmt.Sprintf("%q", line)
}
