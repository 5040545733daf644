import java.util.concurrent.Semaphore;

/** Stands for the clock and the sleep of the recorder under test: the program moves both. */
public final class Planted {
    static volatile long ahead; // of the system's clock, in ns
    static volatile boolean gated; // the writer sleeps until it is let go
    static volatile long asked; // how long it meant to sleep, in ms
    private static final Semaphore GO = new Semaphore(0), ASLEEP = new Semaphore(0);

    private Planted() {
    }

    static long nanoTime() {
        return System.nanoTime() + ahead;
    }

    static void sleep(long ms) throws InterruptedException {
        if (!gated) {
            Thread.sleep(ms);
            return;
        }
        asked = ms;
        ASLEEP.release();
        GO.acquire();
    }

    /** Lets the writer write once: when this returns it is asleep again. */
    static void letWrite() throws InterruptedException {
        ASLEEP.acquire();
        GO.release();
        ASLEEP.acquire();
        ASLEEP.release();
    }
}
