package main

import (
	"cuechoir/engine/report"
	"cuechoir/internal/device"

	"github.com/spf13/cobra"
)

func (a *app) devicesCmd() *cobra.Command {
	var backend string
	c := &cobra.Command{
		Use:     "devices",
		Short:   "List the microphones and outputs",
		Long:    "The default ones are used unless you name others with sing --device and --output.\nPart of a name is enough.",
		Example: "  cuechoir devices\n  cuechoir sing bass --device \"usb mic\"",
		Args:    args(cobra.NoArgs),
		RunE: func(*cobra.Command, []string) error {
			ports, err := device.List(backend)
			if err != nil {
				return err
			}
			return a.printDevices(ports)
		},
	}
	c.Flags().StringVar(&backend, "backend", "", "sound system: pulseaudio, alsa, jack, ... (default: the best there is)")
	return c
}

func (a *app) printDevices(ports []device.Port) error {
	type portRow struct {
		Name    string `json:"name"`
		Side    string `json:"side"`
		Default bool   `json:"default"`
		ID      string `json:"id"`
	}
	rows := []portRow{}
	t := report.Table{Head: []string{"side", "name", "", "id"}}
	for _, p := range ports {
		side, mark := "output", ""
		if p.Input {
			side = "microphone"
		}
		if p.IsDefault {
			mark = "default"
		}
		rows = append(rows, portRow{p.Name, side, p.IsDefault, p.ID})
		t.Rows = append(t.Rows, []string{side, p.Name, mark, p.ID})
	}
	if done, err := a.printJSON(rows); done {
		return err
	}
	if len(rows) == 0 {
		a.say("No sound device found. A file can be the microphone: cuechoir sing LAYER --input FILE")
		return nil
	}
	return a.table(t)
}
