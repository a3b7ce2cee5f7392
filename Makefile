# The few commands people type daily.
.PHONY: build test race bench check demo example picture

build:
	go build ./...

test:
	go test ./...

race:
	go test -race ./...

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

# Draw the README's picture anew.
picture:
	rm -rf cuechoir-demo && go run ./cmd/cuechoir demo --quiet cuechoir-demo
	cp cuechoir-demo/bounces/picture.svg docs/demo.svg && rm -rf cuechoir-demo
