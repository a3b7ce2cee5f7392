package main

import (
	"cuechoir/internal/decoder"
	"cuechoir/internal/fault"

	"github.com/spf13/cobra"
)

// decoderFlag adds --decoder, the same on every command that reads a video.
func decoderFlag(c *cobra.Command, engine *decoder.Engine) {
	c.Flags().Var(engineValue{engine}, "decoder", "embedded or native (default: native when an ffmpeg is there)")
}

// engineValue refuses another name at once, whatever the file will need.
type engineValue struct{ engine *decoder.Engine }

func (v engineValue) String() string {
	if v.engine == nil {
		return ""
	}
	return string(*v.engine)
}

func (v engineValue) Type() string { return "string" }

func (v engineValue) Set(name string) error {
	switch e := decoder.Engine(name); e {
	case decoder.Embedded, decoder.Native:
		*v.engine = e
		return nil
	}
	return fault.New(fault.Usage, "%q is not a video decoder", name).Mended("name embedded or native, or leave it out")
}
