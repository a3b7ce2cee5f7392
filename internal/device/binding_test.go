package device

import (
	"sync"
	"testing"
)

// BenchmarkBindingLookup is what malgo does in each callback before ours: a mutex
// and a look into a map of devices by pointer. The mutex is taken elsewhere only
// while a device is made or freed, so nobody waits for it. The way from C into Go
// comes on top.
func BenchmarkBindingLookup(b *testing.B) {
	var mu sync.Mutex
	key := new(int)
	calls := 0
	found := map[*int]func(){key: func() { calls++ }, new(int): nil}
	b.ReportAllocs()
	for b.Loop() {
		mu.Lock()
		f := found[key]
		mu.Unlock()
		f()
	}
	if calls == 0 {
		b.Fatal("the callback was not found")
	}
}
