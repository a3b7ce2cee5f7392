package picture

import (
	"context"
	"fmt"

	"cuechoir/internal/fault"
)

// The largest still: 160 by 90 at 16:9, 160 by 120 at 4:3.
const (
	maxStillW = 160
	maxStillH = 120
)

// stillSize is the size of the stills of a picture of w by h square points: as
// large as fits, its shape kept to the nearest point, never larger than itself.
func stillSize(w, h int) (int, int) {
	if w <= maxStillW && h <= maxStillH {
		return max(w, 1), max(h, 1)
	}
	if w*maxStillH >= h*maxStillW {
		return maxStillW, max(1, (2*h*maxStillW+w)/(2*w))
	}
	return max(1, (2*w*maxStillH+h)/(2*h)), maxStillH
}

// pair is a picture in two sizes, the cut finder's above the still, so that one
// decoding serves both.
type pair struct{ cutW, cutH, stillW, stillH int }

func (p pair) size() (w, h int) { return max(p.cutW, p.stillW), p.cutH + p.stillH }

// filter makes pairs. The timestamps are logged, and the frames put a second
// apart, before the picture is split: its halves then always meet again.
func (p pair) filter() string {
	w, _ := p.size()
	branch := func(in, out string, bw, bh int) string {
		return fmt.Sprintf("[%s]scale=%d:%d:flags=area,format=gray,pad=%d:%d:0:0[%s]", in, bw, bh, w, bh, out)
	}
	return "showinfo=checksum=0,setpts=N/TB,split[a][b];" +
		branch("a", "c", p.cutW, p.cutH) + ";" + branch("b", "s", p.stillW, p.stillH) + ";[c][s]vstack"
}

// part takes w by h points, from row top on, out of a pair into dst.
func (p pair) part(dst []byte, g Grey, top, w, h int) Grey {
	for y := range h {
		copy(dst[y*w:(y+1)*w], g.Pix[(top+y)*g.W:])
	}
	return Grey{Index: g.Index, W: w, H: h, Pix: dst}
}

// framesAndStills calls fn with the frames of the cut finder's size, the same
// bytes as frames gives, and writes the stills in the same decoding. They are
// in their place when it returns without an error, else nothing is.
func (r *reader) framesAndStills(ctx context.Context, to Target, fn func(Grey) error) (Info, error) {
	cutW, cutH := fit(r.info.Width, r.info.Height, greyW, greyH)
	if to.Root == nil {
		return r.frames(ctx, cutW, cutH, fn)
	}
	p := pair{cutW: cutW, cutH: cutH}
	p.stillW, p.stillH = stillSize(r.info.Width, r.info.Height)
	w, h := p.size()
	small, still := make([]byte, p.cutW*p.cutH), make([]byte, p.stillW*p.stillH)
	return r.writeStills(to, p.stillW, p.stillH, func(push func(Grey) error) (Info, error) {
		return r.filtered(ctx, p.filter(), w, h, func(g Grey) error {
			if err := push(p.part(still, g, p.cutH, p.stillW, p.stillH)); err != nil {
				return err
			}
			return fn(p.part(small, g, 0, p.cutW, p.cutH))
		})
	})
}

// MakeStills decodes the picture and writes its stills to o.Stills. Errors:
// what Analyse gives, Accept's, DiskFull.
func MakeStills(ctx context.Context, path string, o Options) (Info, error) {
	r, err := open(ctx, path, o)
	if err != nil {
		return Info{}, err
	}
	defer r.Close()
	if r.video == nil {
		return r.info, noPicture(path)
	}
	w, h := stillSize(r.info.Width, r.info.Height)
	return r.writeStills(o.Stills, w, h, func(push func(Grey) error) (Info, error) {
		return r.frames(ctx, w, h, push)
	})
}

// writeStills runs a decoding that pushes stills, and keeps them when it ends
// well.
func (r *reader) writeStills(to Target, w, h int, decode func(push func(Grey) error) (Info, error)) (Info, error) {
	mark, err := MarkOf(r.path, r.o.Within)
	if err != nil {
		return r.info, err
	}
	out, err := newStillsWriter(to, w, h)
	if err != nil {
		return r.info, err
	}
	info, err := decode(out.push)
	if err == nil && info.Frames == 0 {
		err = fault.New(fault.Malformed, "has no frame that can be shown").In(r.path, "")
	}
	if err == nil && to.Accept != nil {
		err = inFile(to.Accept(info), r.path)
	}
	if err != nil {
		out.abandon()
		return info, err
	}
	return info, out.finish(r.times.rate, mark)
}

// inFile names the file in an error that names none.
func inFile(err error, path string) error {
	if f, ok := err.(*fault.Error); ok && f.File == "" {
		return f.In(path, f.Place)
	}
	return err
}
