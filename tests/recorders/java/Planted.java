/** Stands for the clock and the sleep of the recorder under test: the program moves both. */
public final class Planted {
    static volatile long ahead; // of the system's clock, in ns

    private Planted() {
    }

    static long nanoTime() {
        return System.nanoTime() + ahead;
    }
}
