package ring

import (
	"runtime"
	"testing"
)

// The order and the values survive two goroutines with odd block sizes; -race
// looks at the memory order.
func TestOrderAcrossGoroutines(t *testing.T) {
	const total = 400_000
	r := New(1000)
	if r.Cap() != 1024 {
		t.Fatalf("capacity %d, want 1024", r.Cap())
	}
	go func() {
		block := make([]float32, 480)
		for next := 0; next < total; {
			n := min(1+next%len(block), total-next)
			for i := range block[:n] {
				block[i] = float32(next + i)
			}
			for done := 0; done < n; {
				k := r.Write(block[done:n])
				if k == 0 {
					runtime.Gosched()
				}
				done += k
			}
			next += n
		}
	}()
	dst := make([]float32, 333)
	for want := 0; want < total; {
		n := r.Read(dst[:1+want%len(dst)])
		if n == 0 {
			runtime.Gosched()
		}
		for _, v := range dst[:n] {
			if v != float32(want) {
				t.Fatalf("sample %d reads %v", want, v)
			}
			want++
		}
	}
	if r.Len() != 0 || r.Free() != r.Cap() {
		t.Fatalf("left over: %d waiting, %d free", r.Len(), r.Free())
	}
}

func TestFullAndEmpty(t *testing.T) {
	r := New(4)
	if n := r.Write([]float32{1, 2, 3, 4, 5, 6}); n != 4 {
		t.Fatalf("a ring of 4 took %d", n)
	}
	if n := r.Write([]float32{9}); n != 0 {
		t.Fatalf("a full ring took %d", n)
	}
	if n := r.Skip(3); n != 3 {
		t.Fatalf("skipped %d of 3", n)
	}
	if n := r.Write([]float32{5, 6}); n != 2 {
		t.Fatalf("room for 2 after the skip, took %d", n)
	}
	dst := make([]float32, 8)
	if n := r.Read(dst); n != 3 || dst[0] != 4 || dst[1] != 5 || dst[2] != 6 {
		t.Fatalf("read %d: %v, want 4 5 6", n, dst[:n])
	}
	if r.Skip(1) != 0 || r.Read(dst) != 0 {
		t.Fatal("an empty ring gave something")
	}
}

func TestNoAllocations(t *testing.T) {
	r := New(4096)
	block := make([]float32, 480)
	if n := testing.AllocsPerRun(1000, func() { r.Write(block); r.Read(block) }); n != 0 {
		t.Fatalf("%v allocations a call", n)
	}
}

func BenchmarkWriteRead480(b *testing.B) {
	r := New(4096)
	block := make([]float32, 480)
	b.SetBytes(480 * 4)
	for b.Loop() {
		r.Write(block)
		r.Read(block)
	}
}
