package tempo

import (
	"math/big"

	"cuechoir/engine/timecode"
)

// SyncWindow is how far sound may lie from picture and pass as together, in
// milliseconds, bounds included.
type SyncWindow struct{ EarlyMs, LateMs int64 }

var (
	// SyncEBU is EBU R 37 (from memory): sound at most 40 ms early, 60 ms late.
	// It is what "in sync" means here unless another is named.
	SyncEBU = SyncWindow{40, 60}
	// SyncDetectable is ITU-R BT.1359-1: from 45 ms early or 125 ms late on
	// people notice.
	SyncDetectable = SyncWindow{45, 125}
)

// Holds reports an error in frames (above 0: late) within the window, exactly.
func (w SyncWindow) Holds(errorFrames timecode.Ratio, rate timecode.Rate) bool {
	ms := errorFrames.Rat()
	ms.Mul(ms, big.NewRat(1000*rate.Den, rate.Num))
	return ms.Cmp(big.NewRat(-w.EarlyMs, 1)) >= 0 && ms.Cmp(big.NewRat(w.LateMs, 1)) <= 0
}
