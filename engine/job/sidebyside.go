package job

import (
	"runtime"
	"sync"
)

// sideBySide does one work for each name, as many at once as there are cores,
// and tells what is done as "doing name". The first error by place is given,
// after all have ended.
func sideBySide(names []string, progress Progress, doing string, do func(i int) error) error {
	errs := make([]error, len(names))
	gate := make(chan struct{}, runtime.GOMAXPROCS(0))
	var wg sync.WaitGroup
	var mu sync.Mutex
	done := int64(0)
	for i, name := range names {
		gate <- struct{}{}
		wg.Go(func() {
			defer func() { <-gate }()
			errs[i] = do(i)
			mu.Lock()
			defer mu.Unlock()
			done++
			progress.Show(done, int64(len(names)), doing+" "+name)
		})
	}
	wg.Wait()
	for _, err := range errs {
		if err != nil {
			return err
		}
	}
	return nil
}
