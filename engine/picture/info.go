// Package picture reads a reference video: its rate and true length, small
// grey frames, its sound, and the places where its picture changes.
//
// Timestamps decide where a frame stands, not counts in headers. A file whose
// frames do not come evenly is read as if they did: each place of the constant
// rate shows the frame that is on screen then.
package picture

import (
	"context"
	"encoding/json"
	"fmt"
	"math/big"
	"strconv"
	"strings"

	"cuechoir/engine/timecode"
	"cuechoir/internal/decoder"
	"cuechoir/internal/fault"
)

// Info is what is known of a video or sound file. The zero Rate and zero
// Frames stand for a file without a picture.
type Info struct {
	Rate                     timecode.Rate
	Frames                   int64 // counted by decoding; places at Rate, by timestamps
	Width, Height            int   // as shown: upright, square pixels
	HasPicture, HasSound     bool
	SoundRate, SoundChannels int // Hz and channels as stored
	VariableRate             bool
	StartTimecode            string // "01:00:00:00", as the file has it, or ""
	Notes                    []string
}

func (i *Info) note(format string, args ...any) {
	text := fmt.Sprintf(format, args...)
	for _, have := range i.Notes {
		if have == text {
			return
		}
	}
	i.Notes = append(i.Notes, text)
}

// Options of everything that reads a file. The zero value works.
type Options struct {
	Engine   decoder.Engine                       // "" leaves it to decoder.EngineEnv, then to what is installed
	Within   string                               // a folder that the file must not leave, links too; "" for no such bound
	Progress func(done, total int64, what string) // frames done, of about total (0: not known); may be nil
	Stills   Target                               // where Analyse writes stills of the frames it reads; the zero Target for nowhere
}

// reader is a session with one file and what its header says.
type reader struct {
	*decoder.Session
	path  string
	info  Info
	video *probeStream // nil: no picture
	sound *probeStream // nil: no sound
	form  string       // FFmpeg's name of the container
	times timing       // of the picture, once readTiming has run
	begin *big.Rat     // seconds at which frame 0 begins, once frames has run; nil: not known
	o     Options
}

// open starts a session and reads the headers.
func open(ctx context.Context, path string, o Options) (*reader, error) {
	if o.Progress == nil {
		o.Progress = func(int64, int64, string) {}
	}
	r := &reader{path: path, o: o}
	s, err := decoder.Open(ctx, path, decoder.Options{
		Engine: o.Engine, Within: o.Within,
		Note:    func(text string) { r.info.note("%s", text) },
		Prepare: func() { o.Progress(0, 0, decoder.PrepareText) },
	})
	if err != nil {
		return nil, err
	}
	r.Session = s
	if err := r.readHeader(ctx); err != nil {
		s.Close()
		return nil, err
	}
	return r, nil
}

// maxHeaderBytes bounds what ffprobe may say of a file's streams.
const maxHeaderBytes = 8 << 20

type probeStream struct {
	Index       int    `json:"index"`
	Type        string `json:"codec_type"`
	Codec       string `json:"codec_name"`
	Tag         string `json:"codec_tag_string"`
	Width       int    `json:"width"`
	Height      int    `json:"height"`
	SAR         string `json:"sample_aspect_ratio"`
	FieldOrder  string `json:"field_order"`
	RealRate    string `json:"r_frame_rate"`
	AverageRate string `json:"avg_frame_rate"`
	TimeBase    string `json:"time_base"`
	Duration    string `json:"duration"`
	FrameCount  string `json:"nb_frames"`
	SampleRate  string `json:"sample_rate"`
	Channels    int    `json:"channels"`
	Disposition struct {
		AttachedPic int `json:"attached_pic"`
		Default     int `json:"default"`
	} `json:"disposition"`
	Tags     map[string]string `json:"tags"`
	SideData []struct {
		Rotation json.Number `json:"rotation"`
	} `json:"side_data_list"`
}

type probeFile struct {
	Streams []probeStream `json:"streams"`
	Format  struct {
		Name     string            `json:"format_name"`
		Duration string            `json:"duration"`
		Tags     map[string]string `json:"tags"`
	} `json:"format"`
}

// readHeader asks ffprobe for the streams.
func (r *reader) readHeader(ctx context.Context) error {
	var text []byte
	res, err := r.Run(ctx, decoder.Step{
		Tool: "ffprobe", Before: []string{"-show_streams", "-show_format", "-of", "json"},
		Stdout: func(p []byte) error {
			if len(text)+len(p) > maxHeaderBytes {
				return fault.New(fault.OverLimit, "its header is longer than %d MiB", maxHeaderBytes>>20)
			}
			text = append(text, p...)
			return nil
		},
	})
	if err != nil {
		return err
	}
	if res.ExitCode != 0 {
		return r.unreadable(res, nil)
	}
	var f probeFile
	if err := json.Unmarshal(text, &f); err != nil {
		return fault.New(fault.Malformed, "its header cannot be understood").In(r.path, "").Because(err)
	}
	r.form = f.Format.Name
	r.pickStreams(&f)
	if r.video == nil && r.sound == nil {
		if err := r.tooLarge(res); err != nil {
			return err
		}
		return fault.New(fault.Unsupported, "holds neither a picture nor sound that can be read").In(r.path, "").
			Mended("name a video or sound file")
	}
	return r.describe(&f)
}

// pickStreams takes the first moving picture, and the sound that the file
// marks as its default or else the first.
func (r *reader) pickStreams(f *probeFile) {
	for i := range f.Streams {
		s := &f.Streams[i]
		switch {
		case s.Type == "video" && r.video == nil && s.Disposition.AttachedPic == 0 && s.Width > 0 && s.Height > 0:
			r.video = s
		case s.Type == "audio" && s.Channels > 0 && s.soundRate() > 0:
			if r.sound == nil || r.sound.Disposition.Default == 0 && s.Disposition.Default != 0 {
				r.sound = s
			}
		}
	}
}

func (s *probeStream) soundRate() int {
	n, err := strconv.Atoi(s.SampleRate)
	if err != nil || n < 1000 || n > 768_000 {
		return 0
	}
	return n
}

// describe fills the Info that the header alone gives.
func (r *reader) describe(f *probeFile) error {
	i := &r.info
	if s := r.sound; s != nil {
		i.HasSound, i.SoundRate, i.SoundChannels = true, s.soundRate(), s.Channels
	}
	if r.video == nil {
		return nil
	}
	i.HasPicture = true
	i.Width, i.Height = r.video.shown()
	if i.Width > 1<<15 || i.Height > 1<<15 || i.Width*i.Height > decoder.MaxPoints {
		return r.overLimit(strconv.Itoa(i.Width), strconv.Itoa(i.Height))
	}
	if o := r.video.FieldOrder; o != "" && o != "progressive" && o != "unknown" {
		i.note("the picture is interlaced: both fields of a frame are read as one, so a cut between fields counts from the frame it is in")
	}
	if r.form == "mpegts" && endsInPacket(r.path) {
		i.note("the file ends in the middle of a packet, as one does whose copying was broken off: its end may be missing")
	}
	i.StartTimecode = startTimecode(f)
	return nil
}

// shown is the picture's size with square pixels, upright.
func (s *probeStream) shown() (w, h int) {
	w, h = s.Width, s.Height
	if sar, ok := parseRational(s.SAR); ok {
		if n := sar.Mul(timecode.Int(int64(w))).Round(); n > 0 && n < 1<<20 {
			w = int(n)
		}
	}
	for _, d := range s.SideData {
		if deg, err := d.Rotation.Float64(); err == nil && (int(deg)/90)%2 != 0 {
			w, h = h, w
		}
	}
	return w, h
}

// startTimecode finds the time code of the first frame in the tags of the
// file or of its time code track.
func startTimecode(f *probeFile) string {
	tags := []map[string]string{f.Format.Tags}
	for _, s := range f.Streams {
		tags = append(tags, s.Tags)
	}
	for _, t := range tags {
		for k, v := range t {
			if strings.EqualFold(k, "timecode") && len(v) >= 11 && len(v) <= 12 {
				return v
			}
		}
	}
	return ""
}

// parseRational reads FFmpeg's "a/b" and "a:b"; zero or no value is not ok.
func parseRational(s string) (timecode.Ratio, bool) {
	a, b, ok := strings.Cut(strings.Replace(s, ":", "/", 1), "/")
	if !ok {
		return timecode.Ratio{}, false
	}
	n, err1 := strconv.ParseInt(a, 10, 64)
	d, err2 := strconv.ParseInt(b, 10, 64)
	if err1 != nil || err2 != nil || n <= 0 || d <= 0 || n > 1<<31 || d > 1<<31 {
		return timecode.Ratio{}, false
	}
	return timecode.R(n, d), true
}
