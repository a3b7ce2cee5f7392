package job

import (
	"bytes"
	"context"
	_ "embed"
	"encoding/base64"
	"encoding/binary"
	"errors"
	"fmt"
	"html/template"
	"io"
	"math"
	"path/filepath"

	"cuechoir/engine/loudness"
	"cuechoir/engine/raster"
	"cuechoir/engine/score"
	"cuechoir/internal/audiofile"
	"cuechoir/internal/dsp"
	"cuechoir/internal/fault"
)

//go:embed cuepage.html
var cuePageText string

var cueTemplate = template.Must(template.New("cues").Parse(cuePageText))

const cueStillWidth = 320

// cuePage is the cue sheet as one page for a browser: pictures and a copy of the
// stem to listen to are inside it, so it can be sent alone. It asks for nothing
// outside itself but, of a long film, stem.wav in dir beside it.
func (res *DeliverResult) cuePage(ctx context.Context, f *score.Folder, s *score.Score, o DeliverOptions, dir string) ([]byte, error) {
	rows := cueRows(s)
	if err := addStills(ctx, f, s, o, rows); err != nil {
		if ctx.Err() != nil {
			return nil, fault.New(fault.Interrupted, "stopped while pictures were made").Because(ctx.Err())
		}
		res.Notes = append(res.Notes, "no pictures on the cue sheet: "+err.Error())
	}
	sound, soundWords, err := pageSound(ctx, filepath.Join(dir, "stem.wav"), s)
	if err != nil {
		return nil, err
	}
	l := res.Bounce.Mix.Loudness
	var b bytes.Buffer
	err = cueTemplate.Execute(&b, map[string]any{
		"Title": s.Title, "Rows": rows, "Sound": sound, "SoundWords": soundWords,
		"Words":    fmt.Sprintf("%d frames at %s, %d samples at %d Hz", s.Reference.Frames, s.Reference.Rate, s.Length(), s.SampleRate),
		"Loudness": loudnessWords(l),
	})
	return b.Bytes(), err
}

func loudnessWords(l loudness.Result) string {
	if math.IsInf(l.IntegratedLUFS, 0) {
		return fmt.Sprintf("too soft or too short for a loudness, true peak %.1f dBTP", l.TruePeakDBTP)
	}
	return fmt.Sprintf("%.1f LUFS integrated, range %.1f LU, true peak %.1f dBTP", l.IntegratedLUFS, l.RangeLU, l.TruePeakDBTP)
}

func addStills(ctx context.Context, f *score.Folder, s *score.Score, o DeliverOptions, rows []cueRow) error {
	stills, err := Stills(ctx, f, StillsOptions{Video: o.Video, Progress: o.Bounce.Progress})
	if err != nil {
		return err
	}
	defer stills.Close()
	for i := range rows {
		p, err := stills.Picture(rows[i].Whole, cueStillWidth)
		if err != nil {
			return err
		}
		var b bytes.Buffer
		if err := raster.PNG(&b, p.Pix, p.W, p.H); err != nil {
			return err
		}
		rows[i].Still = template.URL("data:image/png;base64," + base64.StdEncoding.EncodeToString(b.Bytes()))
	}
	return nil
}

// The copy of the stem that lies in the page: WAV of 16 bits, which every browser
// plays, 5.8 MB a minute.
const (
	pageRate       = 24000
	pageMaxSeconds = 300 // a longer stem stays beside the page
	pageBlock      = 1 << 14
)

// pageSound is the address of what the page plays: a copy of the stem as a data
// URL (RFC 2397), or the stem beside it when it is long.
func pageSound(ctx context.Context, path string, s *score.Score) (src template.URL, words string, err error) {
	if s.Length() > int64(pageMaxSeconds)*int64(s.SampleRate) {
		return "stem.wav", fmt.Sprintf("Longer than %d minutes: the page plays stem.wav, which must lie beside it.", pageMaxSeconds/60), nil
	}
	pcm, channels, err := listeningCopy(ctx, path)
	if err != nil {
		return "", "", err
	}
	text := "data:audio/wav;base64," + base64.StdEncoding.EncodeToString(append(wavHead(len(pcm), channels), pcm...))
	return template.URL(text), fmt.Sprintf("This copy is for listening (%d Hz, 16 bits); stem.wav is the delivery.", pageRate), nil
}

// listeningCopy is a sound file at pageRate in 16-bit samples, little-endian,
// interleaved.
func listeningCopy(ctx context.Context, path string) (pcm []byte, channels int, err error) {
	r, err := audiofile.Open(path)
	if err != nil {
		return nil, 0, err
	}
	defer r.Close()
	format := r.Format()
	channels = format.Channels
	down := make([]*dsp.Resampler, channels)
	for c := range down {
		if down[c], err = dsp.NewResampler(format.SampleRate, pageRate); err != nil {
			return nil, 0, err
		}
	}
	block, one := make([]float32, pageBlock*channels), make([]float32, pageBlock)
	slow := make([][]float32, channels)
	for ended := false; !ended; {
		if err := ctx.Err(); err != nil {
			return nil, 0, fault.New(fault.Interrupted, "stopped while the cue sheet's sound was made").Because(err)
		}
		n, err := r.Read(block)
		if ended = errors.Is(err, io.EOF); err != nil && !ended {
			return nil, 0, err
		}
		for c := range slow {
			for i := range n {
				one[i] = block[i*channels+c]
			}
			slow[c] = down[c].Push(slow[c][:0], one[:n])
			if ended {
				slow[c] = down[c].Flush(slow[c])
			}
		}
		for i := range slow[0] {
			for c := range slow {
				v := max(-32768, min(32767, 32768*slow[c][i]))
				pcm = binary.LittleEndian.AppendUint16(pcm, uint16(int16(v)))
			}
		}
	}
	return pcm, channels, nil
}

// wavHead is the head of a WAV file of 16-bit samples at pageRate (Multimedia
// Programming Interface and Data Specifications 1.0, 1991).
func wavHead(bytes, channels int) []byte {
	le := binary.LittleEndian
	b := le.AppendUint32([]byte("RIFF"), uint32(36+bytes))
	b = le.AppendUint32(append(b, "WAVEfmt "...), 16)
	b = le.AppendUint16(le.AppendUint16(b, 1), uint16(channels))
	b = le.AppendUint32(le.AppendUint32(b, pageRate), uint32(pageRate*2*channels))
	b = le.AppendUint16(le.AppendUint16(b, uint16(2*channels)), 16)
	return le.AppendUint32(append(b, "data"...), uint32(bytes))
}
