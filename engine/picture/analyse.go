package picture

import (
	"context"

	"cuechoir/engine/cutlist"
)

// Analyse decodes the picture once and finds its cuts, dissolves and fades, in
// order of their frames. With Options.Stills the same decoding gives stills.
func Analyse(ctx context.Context, path string, o Options) (Info, []cutlist.Cut, error) {
	r, err := open(ctx, path, o)
	if err != nil {
		return Info{}, nil, err
	}
	defer r.Close()
	return r.analyse(ctx)
}

func (r *reader) analyse(ctx context.Context) (Info, []cutlist.Cut, error) {
	if r.video == nil {
		return r.info, nil, noPicture(r.path)
	}
	var d *Detector
	info, err := r.framesAndStills(ctx, r.o.Stills, func(g Grey) error {
		if d == nil { // the rate is known from the first frame on
			d = NewDetector(r.times.rate)
		}
		d.Push(g)
		return nil
	})
	if err != nil {
		return info, nil, err
	}
	return info, d.Finish(), nil
}
