# The few commands people type daily.
.PHONY: build test race bench fuzz check demo example

build:
	go build ./...

test:
	go test ./...

race:
	go test -race -short ./...

bench:
	go test -run '^$$' -bench . ./...

# All that the automatic check runs, with the outside tools it installs.
check:
	bash .ci/run

demo:
	go run ./cmd/cuechoir demo

# Draw and encode the example's trailer anew (needs a native ffmpeg).
example:
	go run ./projects-example/generate
