// Package figures measures the built daemon as a whole: from a far end's hang-up to the opening of the loop under the media of a
// hundred lines, the length of openings as the board sees it, memory, and the time to be ready. It holds tests only; they run with
// the flag -figures, each beside a bare measurement in the same run.
package figures
