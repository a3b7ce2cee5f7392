// Package bench holds no code of the product, only its real-time figures: how
// long the audio callback takes beside 256 layers from the disk, and how the
// inner loop of a strip stands against the same loop in C.
//
//	go test ./internal/rt/bench -run '^$' -bench Strip
//	go test ./internal/rt/bench -run '^$' -bench Soak -benchtime 1x
//	CUECHOIR_SOAK=5m go test ./internal/rt/bench -run '^$' -bench Soak -benchtime 1x -timeout 20m
package bench
