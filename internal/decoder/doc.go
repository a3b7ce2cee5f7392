// Package decoder runs FFmpeg over one media file of a stranger's making,
// behind a fence, with nothing installed.
//
// Two engines give the same answers. The embedded one is an FFmpeg built as
// WebAssembly (see NOTICE), run by wazero in a child process: the one program
// executes itself again, the child sees one file, read-only, no network, no
// other path, with bounds on memory and time, and dies with its parent. The
// native one is an ffmpeg found on PATH, faster, called with the same
// arguments, no shell and no network protocol.
//
// A program that reads video calls ServeIfAsked first thing in main, and in
// TestMain of test packages.
package decoder
