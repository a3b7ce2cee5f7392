//go:build !cgo

package device

import "cuechoir/internal/fault"

func errNoCgo() error {
	return fault.New(fault.Device, "live recording needs a build with a C compiler; everything else works").
		Mended("install a C compiler (gcc or clang) and build again with CGO_ENABLED=1")
}

// Open needs a build with a C compiler.
func Open(o Options) (Device, error) {
	if _, err := o.withDefaults(); err != nil {
		return nil, err
	}
	return nil, errNoCgo()
}

// List needs a build with a C compiler.
func List(backend string) ([]Port, error) { return nil, errNoCgo() }
