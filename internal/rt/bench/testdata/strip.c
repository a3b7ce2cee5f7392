/* The inner loop of a strip, as in strip_test.go, timed by itself.
   cc -O3 -o strip strip.c -lm; strip ROUNDS prints nanoseconds a sample, and
   the sum of all that it made. */
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <time.h>

#define STRIPS 256
#define FRAMES 256
#define STEP 16

typedef struct { double b0, b1, b2, a1, a2, s1, s2; } biquad;
typedef struct { float gain, left, right; biquad one, two; double env; float g; double up, down, threshold; } strip;

static void run(strip *s, const float *x, float *left, float *right) {
	for (int at = 0; at < FRAMES; at += STEP) {
		float y[STEP];
		double a1 = s->one.s1, a2 = s->one.s2, c1 = s->two.s1, c2 = s->two.s2;
		double env = s->env, up = s->up, down = s->down;
		for (int i = 0; i < STEP; i++) {
			double in = (double)(x[at + i] * s->gain);
			double u = s->one.b0 * in + a1;
			a1 = s->one.b1 * in - s->one.a1 * u + a2;
			a2 = s->one.b2 * in - s->one.a2 * u;
			double v = s->two.b0 * u + c1;
			c1 = s->two.b1 * u - s->two.a1 * v + c2;
			c2 = s->two.b2 * u - s->two.a2 * v;
			y[i] = (float)v;
			double p = fabs(v), a = (1 - up) * env + up * p, b = (1 - down) * env + down * p;
			env = a > b ? a : b;
		}
		s->one.s1 = a1; s->one.s2 = a2; s->two.s1 = c1; s->two.s2 = c2; s->env = env;
		float want = env > s->threshold ? (float)sqrt(s->threshold / env) : 1;
		float step = (want - s->g) / STEP, g = s->g;
		for (int i = 0; i < STEP; i++) {
			g += step;
			left[at + i] += y[i] * g * s->left;
			right[at + i] += y[i] * g * s->right;
		}
		s->g = want;
	}
}

int main(int argc, char **argv) {
	int rounds = argc > 1 ? atoi(argv[1]) : 100;
	strip *s = calloc(STRIPS, sizeof *s);
	float *x = malloc(sizeof(float) * STRIPS * FRAMES);
	float left[FRAMES], right[FRAMES];
	unsigned seed = 1;
	for (int i = 0; i < STRIPS * FRAMES; i++) {
		seed = seed * 1664525u + 1013904223u;
		x[i] = (float)(int)(seed >> 8) / 16777216.0f - 0.5f;
	}
	for (int k = 0; k < STRIPS; k++) {
		biquad one = {0.98, -1.96, 0.98, -1.9596, 0.9604, 0, 0};
		biquad two = {1.02, -1.90, 0.89, -1.90, 0.91, 0, 0};
		strip t = {0.5f, 0.6f, 0.8f, one, two, 0, 1, 0.02, 0.0005, 0.1};
		s[k] = t;
	}
	struct timespec a, b;
	double sum = 0;
	clock_gettime(CLOCK_MONOTONIC, &a);
	for (int r = 0; r < rounds; r++) {
		for (int i = 0; i < FRAMES; i++) left[i] = right[i] = 0;
		for (int k = 0; k < STRIPS; k++) run(&s[k], x + k * FRAMES, left, right);
		for (int i = 0; i < FRAMES; i++) sum += left[i] + right[i];
	}
	clock_gettime(CLOCK_MONOTONIC, &b);
	double ns = (b.tv_sec - a.tv_sec) * 1e9 + (b.tv_nsec - a.tv_nsec);
	printf("%.6f %.17g\n", ns / ((double)rounds * STRIPS * FRAMES), sum);
	return 0;
}
