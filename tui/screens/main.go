// Command screens draws the pictures of the six stages that the documents show:
// true captures of the workstation over the example, as SVG.
//
//	go run ./tui/screens            # docs/screen-spot.svg and its kin
//	go run ./tui/screens -size 200x50 -out elsewhere
package main

import (
	"context"
	"flag"
	"fmt"
	"os"
	"os/signal"
	"path/filepath"
	"strings"

	"cuechoir/engine/score"
	"cuechoir/internal/decoder"
	"cuechoir/projects-example/walk"
	"cuechoir/tui"
	"cuechoir/tui/desk"
)

func main() {
	decoder.ServeIfAsked()
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt)
	defer stop()
	out := flag.String("out", "docs", "the folder that the pictures go to")
	size := flag.String("size", "100x30", "columns and rows")
	flag.Parse()
	if err := draw(ctx, *out, *size); err != nil {
		fmt.Fprintln(os.Stderr, "screens:", err)
		stop()
		os.Exit(1)
	}
}

// poses are what each stage is shown doing.
func poses(w, h int) map[string]tui.Pose {
	keys := strings.Fields
	return map[string]tui.Pose{
		"spot":   {W: w, H: h, Stage: tui.Spot, Keys: keys("h h h h f f")},
		"map":    {W: w, H: h, Stage: tui.Map, Keys: keys("h h h enter o")},
		"sing":   {W: w, H: h, Stage: tui.Sing, Keys: keys("v v v v v v v v v g enter"), Hold: 415},
		"check":  {W: w, H: h, Stage: tui.Check, Keys: keys("v w z")},
		"mix":    {W: w, H: h, Stage: tui.Mix, Keys: keys("h h h h h j f f f f")},
		"bounce": {W: w, H: h, Stage: tui.Bounce, Keys: keys("4 6 g enter")},
	}
}

func draw(ctx context.Context, out, size string) error {
	var w, h int
	if _, err := fmt.Sscanf(size, "%dx%d", &w, &h); err != nil || w < 20 || h < 8 || w > 500 || h > 200 {
		return fmt.Errorf("%q is no size: write 100x30", size)
	}
	dir, err := os.MkdirTemp("", "cuechoir-screens-")
	if err != nil {
		return err
	}
	defer os.RemoveAll(dir)
	if out, err = filepath.Abs(out); err != nil {
		return err
	}
	// Paths on the screens are as short as a person's own: no folder of this
	// machine's comes into a picture.
	if err := os.Chdir(dir); err != nil {
		return err
	}
	const folder = "lantern"
	say := func(format string, args ...any) {}
	if _, err := walk.Run(ctx, walk.Options{Folder: folder, Say: say}); err != nil {
		return err
	}
	f, err := score.Open(folder)
	if err != nil {
		return err
	}
	defer f.Close()
	// A take of the example is the voice in the Sing picture.
	d := desk.New(f, desk.Options{Silent: true, Input: f.Path("takes/alto/001.wav")})
	defer d.Close()
	for name, pose := range poses(w, h) {
		if err := one(ctx, d, pose, filepath.Join(out, "screen-"+name+".svg")); err != nil {
			return err
		}
	}
	return nil
}

// one draws one picture. What stands there is replaced.
func one(ctx context.Context, d *desk.Desk, pose tui.Pose, path string) error {
	g, err := tui.Capture(ctx, d, pose)
	if err != nil {
		return err
	}
	file, err := os.Create(path)
	if err != nil {
		return err
	}
	if err := g.SVG(file); err != nil {
		file.Close()
		return err
	}
	fmt.Println(filepath.Base(path))
	return file.Close()
}
