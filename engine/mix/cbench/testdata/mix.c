/* What the benchmarks hold the mix to: the same work in plain C.
     cc -O3 -o mix mix.c -lm
     mix plain|chain OUT.wav FILE.wav...
   reads mono 24-bit WAV files of 44 + 3n bytes at 48 kHz, works in blocks of 4096,
   writes stereo 24-bit, and prints the CPU seconds it took.
   plain: gain, pan, sum. chain: two bells, compressor, pan, a send to a room of
   eight lines. The arithmetic is that of the mix: 64 bits, gains each 16 samples. */
#include <math.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#define RATE 48000.0
#define BLOCK 4096
#define STEP 16
#define LINES 8
#define PI 3.14159265358979323846

typedef struct { double b0, b1, b2, a1, a2, s1, s2; } biquad;
typedef struct {
	double level, reduction, from, to, peak;
	int phase;
} compressor;
typedef struct {
	FILE *f;
	double left, right;
	biquad one, two;
	compressor c;
} strip;

static biquad bell(double hz, double q, double db) {
	double a = pow(10, db / 40), w = 2 * PI * hz / RATE, al = sin(w) / (2 * q), co = cos(w), a0 = 1 + al / a;
	biquad b = {(1 + al * a) / a0, -2 * co / a0, (1 - al * a) / a0, -2 * co / a0, (1 - al / a) / a0, 0, 0};
	return b;
}


static void filter2(biquad *p, biquad *q, double *x, int n) {
	double s1 = p->s1, s2 = p->s2, t1 = q->s1, t2 = q->s2;
	biquad b = *p, c = *q;
	for (int i = 0; i < n; i++) {
		double v = x[i], y = b.b0 * v + s1;
		s1 = b.b1 * v - b.a1 * y + s2;
		s2 = b.b2 * v - b.a2 * y;
		double z = c.b0 * y + t1;
		t1 = c.b1 * y - c.a1 * z + t2;
		t2 = c.b2 * y - c.a2 * z;
		x[i] = z;
	}
	p->s1 = s1; p->s2 = s2; q->s1 = t1; q->s2 = t2;
}

static const double threshold = -24, ratio = 3, knee = 6;
static double attack, release, keep, bends;

static double smooth(double ms) { return 1 - exp(-1 / (ms / 1000 * RATE / STEP)); }

static double reduction_of(double db) {
	double slope = 1 - 1 / ratio, over = db - threshold;
	if (2 * over <= -knee) return 0;
	if (2 * over < knee) { double d = over + knee / 2; return slope * d * d / (2 * knee); }
	return slope * over;
}

static double gain_of(compressor *c) {
	c->level = fmax(c->peak, c->level * keep);
	double goal = c->level > bends ? reduction_of(20 * log10(c->level)) : 0;
	c->reduction += (goal > c->reduction ? attack : release) * (goal - c->reduction);
	if (c->level < 1e-30) c->level = 0;
	if (c->reduction < 1e-6) { c->reduction = 0; return 1; }
	return exp(-c->reduction * log(10) / 20);
}

static void compress(compressor *c, double *x, int n) { /* n is a multiple of STEP */
	for (int at = 0; at < n; at += STEP) {
		double peak = 0;
		for (int i = 0; i < STEP; i++) { double a = fabs(x[at + i]); peak = a > peak ? a : peak; }
		double by = c->to - c->from;
		for (int i = 0; i < STEP; i++) x[at + i] *= c->from + by * ((i + 1) / (double)STEP);
		c->peak = peak;
		c->from = c->to;
		c->to = gain_of(c);
	}
}

typedef struct { double *x; int n, at; double gain, pole, damp; } line;
static line lines[LINES];
static double room_out;

static int prime(int n) {
	for (;; n++) {
		int ok = 1;
		for (int d = 2; d * d <= n; d++) if (n % d == 0) ok = 0;
		if (ok) return n;
	}
}

static void room_new(void) {
	static const double ms[LINES] = {25.3, 29.1, 33.7, 39.3, 45.1, 52.7, 61.3, 70.9};
	double power = 0, t60 = 1.8, share = 0.4;
	for (int i = 0; i < LINES; i++) {
		line *l = &lines[i];
		l->n = prime((int)round(ms[i] / 1000 * RATE));
		l->x = calloc(l->n, sizeof *l->x);
		double k = pow(10, -3.0 * l->n / (RATE * t60));
		double high = pow(10, -3.0 * l->n / (RATE * t60 * share));
		l->pole = fmin((k - high) / (k + high), 0.98);
		l->gain = k * (1 - l->pole);
		power += k * k / (1 - k * k);
	}
	room_out = 1 / sqrt(1 + power / 2);
}

static void room(const double *in, double *left, double *right, int n) {
	for (int i = 0; i < n; i++) {
		double y[LINES], sum = 0;
		for (int k = 0; k < LINES; k++) {
			line *l = &lines[k];
			l->damp = y[k] = l->gain * l->x[l->at] + l->pole * l->damp;
			sum += y[k];
		}
		left[i] += room_out * ((y[0] - y[2]) + (y[4] - y[6]));
		right[i] += room_out * ((y[1] - y[3]) + (y[5] - y[7]));
		double back = in[i] - sum * (2.0 / LINES);
		for (int k = 0; k < LINES; k++) {
			line *l = &lines[k];
			l->x[l->at] = back + y[k];
			if (++l->at == l->n) l->at = 0;
		}
	}
}

static int32_t clip(double v) {
	v = round(v * 8388608.0);
	return v > 8388607 ? 8388607 : v < -8388608 ? -8388608 : (int32_t)v;
}

int main(int argc, char **argv) {
	int chain = argc > 1 && !strcmp(argv[1], "chain"), layers = argc - 3;
	if (layers < 1) return 2;
	attack = smooth(10); release = smooth(150); keep = 1 - smooth(150 / 4.0); bends = pow(10, (threshold - knee / 2) / 20);
	strip *s = calloc(layers, sizeof *s);
	long bytes = 0;
	for (int k = 0; k < layers; k++) {
		if (!(s[k].f = fopen(argv[3 + k], "rb"))) return 3;
		fseek(s[k].f, 0, SEEK_END);
		bytes = ftell(s[k].f) - 44;
		fseek(s[k].f, 44, SEEK_SET);
		double pan = layers > 1 ? k / (layers - 1.0) * 2 - 1 : 0, g = pow(10, -12 / 20.0);
		s[k].left = g * cos((pan + 1) * PI / 4);
		s[k].right = g * sin((pan + 1) * PI / 4);
		s[k].one = bell(400, 1, 3);
		s[k].two = bell(2500, 1, -4);
		s[k].c.from = s[k].c.to = 1;
	}
	if (chain) room_new();
	FILE *out = fopen(argv[2], "wb");
	long n = bytes / 3;
	uint32_t h[11] = {0x46464952, 36 + 6 * n, 0x45564157, 0x20746d66, 16, 0x00020001, 48000, 288000, 0x00180006, 0x61746164, 6 * n};
	fwrite(h, 4, 11, out);
	unsigned char raw[3 * BLOCK], done[6 * BLOCK];
	static double x[BLOCK], left[BLOCK], right[BLOCK], send[BLOCK];
	double to_room = pow(10, -12 / 20.0) * pow(10, -12 / 20.0);
	for (long at = 0; at < n; at += BLOCK) {
		int m = n - at < BLOCK ? n - at : BLOCK;
		memset(left, 0, sizeof left); memset(right, 0, sizeof right); memset(send, 0, sizeof send);
		for (int k = 0; k < layers; k++) {
			strip *p = &s[k];
			if (fread(raw, 3, m, p->f) != (size_t)m) return 4;
			for (int i = 0; i < m; i++)
				x[i] = ((int32_t)((uint32_t)raw[3 * i] << 8 | (uint32_t)raw[3 * i + 1] << 16 | (uint32_t)raw[3 * i + 2] << 24) >> 8) / 8388608.0;
			if (chain) {
				filter2(&p->one, &p->two, x, m);
				compress(&p->c, x, m);
				for (int i = 0; i < m; i++) send[i] += to_room * x[i];
			}
			double l = p->left, r = p->right;
			for (int i = 0; i < m; i++) { left[i] += l * x[i]; right[i] += r * x[i]; }
		}
		if (chain) room(send, left, right, m);
		for (int i = 0; i < m; i++) {
			int32_t a = clip((float)left[i]), b = clip((float)right[i]);
			unsigned char *d = done + 6 * i;
			d[0] = a; d[1] = a >> 8; d[2] = a >> 16; d[3] = b; d[4] = b >> 8; d[5] = b >> 16;
		}
		fwrite(done, 6, m, out);
	}
	fclose(out);
	printf("%.6f\n", (double)clock() / CLOCKS_PER_SEC);
	return 0;
}
