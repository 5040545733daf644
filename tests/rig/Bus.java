import java.util.Random;
import java.util.concurrent.locks.LockSupport;
import java.util.concurrent.locks.ReentrantLock;

/** A stand-in bus: one transaction at a time, which blocks for a fixed time and a time per item. */
final class Bus {
    private static final long SPIN_NS = 120_000; // sleeping alone would wake up too late

    private final ReentrantLock lock;
    private final long baseNs;
    private final long perItemNs;
    private final long jitterNs;
    private final Random random;

    Bus(boolean fair, double baseMs, double perItemMs, double jitterMs, long seed) {
        lock = new ReentrantLock(fair);
        baseNs = (long) (baseMs * 1e6);
        perItemNs = (long) (perItemMs * 1e6);
        jitterNs = (long) (jitterMs * 1e6);
        random = new Random(seed);
    }

    /** Performs one transaction and returns how long it waited for the bus [ns]. */
    long transact(int items, double factor) {
        long asked = System.nanoTime();
        lock.lock();
        try {
            long got = System.nanoTime();
            double late = Math.min(8, -Math.log(1 - random.nextDouble())) * jitterNs;
            waitUntil(got + (long) (factor * (baseNs + items * perItemNs) + late));
            return got - asked;
        } finally {
            lock.unlock();
        }
    }

    /** Sleeps for most of the time and spins for the rest, so that the end is exact. */
    static void waitUntil(long deadline) {
        for (long left = deadline - System.nanoTime(); left > 0;
                left = deadline - System.nanoTime()) {
            if (left > SPIN_NS) {
                LockSupport.parkNanos(left - SPIN_NS);
            }
        }
    }
}
