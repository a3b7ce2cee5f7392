/* What the benchmarks hold the loudness meter to: libebur128 over a stereo file of
   32-bit floats (raw, interleaved, 48 kHz). Integrated loudness, range and true
   peak, and the CPU seconds that it took.
     cc -O2 -o ebur ebur.c -lebur128 */
#include <ebur128.h>
#include <stdio.h>
#include <stdlib.h>
#include <time.h>

int main(int argc, char **argv) {
	FILE *f = argc > 1 ? fopen(argv[1], "rb") : NULL;
	if (!f) return 2;
	fseek(f, 0, SEEK_END);
	long frames = ftell(f) / 8;
	rewind(f);
	float *x = malloc(frames * 8);
	if (fread(x, 8, frames, f) != (size_t)frames) return 3;
	clock_t begin = clock();
	ebur128_state *s = ebur128_init(2, 48000, EBUR128_MODE_I | EBUR128_MODE_LRA | EBUR128_MODE_TRUE_PEAK);
	for (long at = 0; at < frames; at += 4096)
		if (ebur128_add_frames_float(s, x + 2 * at, frames - at < 4096 ? frames - at : 4096)) return 4;
	double i, r, a, b;
	ebur128_loudness_global(s, &i);
	ebur128_loudness_range(s, &r);
	ebur128_true_peak(s, 0, &a);
	ebur128_true_peak(s, 1, &b);
	printf("%.6f %.6f %.6f %.9f\n", (double)(clock() - begin) / CLOCKS_PER_SEC, i, r, a > b ? a : b);
	return 0;
}
