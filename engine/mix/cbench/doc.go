// Package cbench holds no code of the product, only the mix's figures of speed,
// each beside the same work by others in the same run: plain C, sox, libebur128.
//
//	go test ./engine/mix/cbench -run '^$' -bench . -benchtime 1x
//
// Times are CPU seconds of whole programs, the least of a few runs: what the
// machine's other work disturbs least.
package cbench
