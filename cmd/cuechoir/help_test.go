package main

import (
	"io"
	"strings"
	"testing"

	"github.com/spf13/cobra"
)

// Every command says in a line what it does and shows an example that names
// the program and uses flags that there are.
func TestEveryCommandHasAnExample(t *testing.T) {
	a := &app{out: io.Discard, err: io.Discard}
	seen := 0
	var walk func(c *cobra.Command)
	walk = func(c *cobra.Command) {
		seen++
		if c.Short == "" || c.Example == "" || !strings.Contains(c.Example, "cuechoir") {
			t.Errorf("%s: short %q, example %q", c.CommandPath(), c.Short, c.Example)
		}
		if c.RunE == nil {
			t.Errorf("%s does nothing", c.CommandPath())
		}
		for _, line := range strings.Split(c.Example, "\n") {
			for _, word := range strings.Fields(line) {
				name, ok := strings.CutPrefix(word, "--")
				name, _, _ = strings.Cut(name, "=")
				if ok && !knowsFlag(c.Root(), name) {
					t.Errorf("%s: the example %q uses an unknown flag %s", c.CommandPath(), line, word)
				}
			}
		}
		for _, sub := range c.Commands() {
			walk(sub)
		}
	}
	walk(a.root())
	if seen < 25 {
		t.Errorf("only %d commands", seen)
	}
}

// knowsFlag looks through a command and all below it.
func knowsFlag(c *cobra.Command, name string) bool {
	if c.Flags().Lookup(name) != nil || c.PersistentFlags().Lookup(name) != nil {
		return true
	}
	for _, sub := range c.Commands() {
		if knowsFlag(sub, name) {
			return true
		}
	}
	return false
}
