module cuechoir

go 1.25.0

require (
	codeberg.org/gruf/go-ffmpreg v0.6.22
	github.com/gdamore/tcell/v2 v2.13.10
	github.com/gen2brain/malgo v0.11.24
	github.com/go-audio/audio v1.0.0
	github.com/go-audio/wav v1.1.0
	github.com/gopxl/beep/v2 v2.1.1
	github.com/pelletier/go-toml/v2 v2.4.3
	github.com/rogpeppe/go-internal v1.16.0
	github.com/spf13/cobra v1.10.2
	github.com/tetratelabs/wazero v1.12.0
	gitlab.com/gomidi/midi/v2 v2.3.16
	golang.org/x/sys v0.44.0
	pgregory.net/rapid v1.3.0
)

require (
	github.com/cpuguy83/go-md2man/v2 v2.0.6 // indirect
	github.com/gdamore/encoding v1.0.1 // indirect
	github.com/go-audio/riff v1.0.0 // indirect
	github.com/hajimehoshi/go-mp3 v0.3.4 // indirect
	github.com/icza/bitio v1.1.0 // indirect
	github.com/inconshreveable/mousetrap v1.1.0 // indirect
	github.com/jfreymuth/oggvorbis v1.0.5 // indirect
	github.com/jfreymuth/vorbis v1.0.2 // indirect
	github.com/lucasb-eyer/go-colorful v1.3.0 // indirect
	github.com/mewkiz/flac v1.0.12 // indirect
	github.com/mewkiz/pkg v0.0.0-20230226050401-4010bf0fec14 // indirect
	github.com/pkg/errors v0.9.1 // indirect
	github.com/rivo/uniseg v0.4.7 // indirect
	github.com/russross/blackfriday/v2 v2.1.0 // indirect
	github.com/spf13/pflag v1.0.9 // indirect
	go.yaml.in/yaml/v3 v3.0.4 // indirect
	golang.org/x/term v0.37.0 // indirect
	golang.org/x/text v0.31.0 // indirect
	golang.org/x/tools v0.38.0 // indirect
)
