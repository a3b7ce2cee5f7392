// Package audiofile reads and writes sound files as interleaved float32
// samples, ±1.0 full scale.
//
// WAV and its 64-bit forms RF64 (EBU Tech 3306) and BW64 (ITU-R BS.2088) are
// read and WAV and RF64 are written by code of our own, where each size that a
// file states is held against the size that the file has. FLAC, MP3 and Ogg
// Vorbis go through public decoders behind guards: what could make a decoder
// ask for memory is looked at first, a panic becomes an error, and the number
// of frames is bounded.
//
// Words: a sample is one number of one channel; a frame is one sample of each
// channel; all counts in this package are frames unless they say otherwise.
//
// Sample values: an integer v of b bits stands for v/2^(b-1); x is written as
// round-half-away(x·2^(b-1)) held within the range. 16-bit and 24-bit integers
// through float32 and back are exact. A value that is not finite (NaN, ±Inf)
// is read as 0, counted and told in Notes; on writing, NaN becomes 0, ±Inf
// full scale, both counted by Writer.NotFinite.
package audiofile
