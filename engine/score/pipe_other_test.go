//go:build !unix

package score

import "errors"

func makePipe(string) error { return errors.ErrUnsupported }
