package picture

import (
	"context"

	"cuechoir/engine/cutlist"
)

// File is one open video or sound file: what Open, Analyse and Sound need of
// it is read with one start of the decoder. It is for one goroutine. Close it.
type File struct{ r *reader }

// Open starts the decoder on a file and reads what its header says of the
// streams. Errors: Missing, Malformed, Unsupported, OverLimit, Interrupted.
func Open(ctx context.Context, path string, o Options) (*File, error) {
	r, err := open(ctx, path, o)
	if err != nil {
		return nil, err
	}
	return &File{r}, nil
}

// Close ends the decoder and waits for it.
func (f *File) Close() error { return f.r.Close() }

// Info is what is known so far, the notes of everything read so far with it.
func (f *File) Info() Info { return f.r.info }

// Analyse is the function Analyse on the open file.
func (f *File) Analyse(ctx context.Context) (Info, []cutlist.Cut, error) { return f.r.analyse(ctx) }

// Sound is the function Sound on the open file. After Analyse the place of
// frame 0 is known and the picture is not read again.
func (f *File) Sound(ctx context.Context, sampleRate int, dstWAV string) (frames int64, err error) {
	return f.r.writeSound(ctx, sampleRate, dstWAV)
}
