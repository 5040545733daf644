import java.io.IOException;
import java.io.PrintWriter;
import java.util.SplittableRandom;
import java.util.concurrent.locks.LockSupport;
import java.util.concurrent.locks.ReentrantLock;

/**
 * A loop and a reader thread on one lock, with what each call truly waited: `java Locks.java LOCK
 * REST_MS SECONDS SEED OUT`. LOCK is fair, barging, monitor, none (the reader has no lock) or busy
 * (it computes); a rest below 0 means that there is no reader and the loop reads.
 */
public final class Locks {
    private static final String[] NAMES = {
        "gyro.read", "wheel.1.read", "wheel.2.read", "wheel.3.read", "bench.read", "tray.read",
        "plan.step", "wheel.1.write", "wheel.2.write", "wheel.3.write",
    };
    private static final double[] COST_MS = {2.6, 1.2, 1.2, 1.2, 1.1, 2.0, 0, 0.7, 0.7, 0.7};
    private static final long SPIN_NS = 80_000;
    private static final Object MONITOR = new Object();
    private static volatile boolean stop;
    private static volatile double sink;
    private static String kind;
    private static ReentrantLock lock;

    private static final class Rows {
        final long[][] at = new long[5][400_000];
        int count;

        void add(int name, int loop, long start, long end, long wait) {
            long[] row = {name, loop, start, end, wait};
            for (int i = 0; i < 5; i++) {
                at[i][count] = row[i];
            }
            count++;
        }
    }

    private static void until(long deadline) {
        for (long left; (left = deadline - System.nanoTime()) > 0;) {
            if (left > SPIN_NS) {
                LockSupport.parkNanos(left - SPIN_NS);
            }
        }
    }

    private static void compute(double ms) {
        double x = 0.3;
        for (long end = System.nanoTime() + (long) (ms * 1e6); System.nanoTime() < end;) {
            x = Math.sin(x) + 1e-3;
        }
        sink = x;
    }

    /** One transaction; returns how long it waited. */
    private static long transact(int name, boolean locked, SplittableRandom random) {
        double jitter = 1 + 0.02 * random.nextGaussian();
        long takes = (long) (1e6 * (COST_MS[name] * jitter + 0.05 * random.nextExponential()));
        long asked = System.nanoTime();
        if (!locked) {
            until(asked + takes);
            return 0;
        }
        if (kind.equals("monitor")) {
            synchronized (MONITOR) {
                long got = System.nanoTime();
                until(got + takes);
                return got - asked;
            }
        }
        lock.lock();
        try {
            long got = System.nanoTime();
            until(got + takes);
            return got - asked;
        } finally {
            lock.unlock();
        }
    }

    private static void read(Rows rows, SplittableRandom random, double restMs) {
        while (!stop) {
            long start = System.nanoTime();
            long wait = 0;
            if (kind.equals("busy")) {
                compute(2.0 + random.nextDouble());
            } else {
                wait = transact(0, !kind.equals("none"), random);
            }
            rows.add(0, -1, start, System.nanoTime(), wait);
            if (restMs > 0) {
                LockSupport.parkNanos((long) (restMs * 1e6));
            }
        }
    }

    private static void loop(Rows rows, SplittableRandom random, int number, boolean reads) {
        for (int name = reads ? 0 : 1; name < NAMES.length; name++) {
            long start = System.nanoTime();
            long wait = 0;
            if (name == 6) {
                compute(0.6 + 0.3 * random.nextDouble());
            } else {
                wait = transact(name, name != 4 && name != 5, random);
            }
            rows.add(name, number, start, System.nanoTime(), wait);
        }
    }

    public static void main(String[] args) throws Exception {
        kind = args[0];
        lock = new ReentrantLock(kind.equals("fair"));
        double restMs = Double.parseDouble(args[1]);
        long seed = Long.parseLong(args[3]);
        Rows mine = new Rows();
        Rows theirs = new Rows();
        SplittableRandom random = new SplittableRandom(seed);
        Thread reader = new Thread(() -> read(theirs, new SplittableRandom(seed + 1), restMs));
        if (restMs >= 0) {
            reader.start();
        }
        long end = System.nanoTime() + (long) (Double.parseDouble(args[2]) * 1e9);
        for (int number = 0; System.nanoTime() < end; number++) {
            loop(mine, random, number, restMs < 0);
        }
        stop = true;
        reader.join();
        write(args[4], mine, theirs);
    }

    private static void write(String out, Rows mine, Rows theirs) throws IOException {
        try (PrintWriter file = new PrintWriter(out)) {
            file.println("thread,loop,name,start_ns,end_ns,waited");
            for (Rows rows : new Rows[] {mine, theirs}) {
                for (int i = 0; i < rows.count; i++) {
                    file.println((rows == mine ? "main," + rows.at[1][i] : "reader,") + ","
                        + NAMES[(int) rows.at[0][i]] + "," + rows.at[2][i] + "," + rows.at[3][i]
                        + "," + rows.at[4][i]);
                }
            }
        }
    }
}
