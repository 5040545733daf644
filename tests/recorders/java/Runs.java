import com.sun.management.ThreadMXBean;
import java.io.File;
import java.lang.management.ManagementFactory;

/** Runs that the tests read back: the first word names the run, the second the folder. */
public final class Runs {
    private static LooptimeRecorder rec;
    private static int outer, inner, heading;

    public static void main(String[] words) throws Exception {
        File folder = new File(words[1]);
        int rows = words[0].startsWith("overflow") ? 64 : 1 << 14;
        rec = LooptimeRecorder.start(folder, "log", rows, 3);
        outer = rec.call("drive.update");
        inner = rec.call("encoder, \"left\"");
        heading = rec.call("heading_deg");
        switch (words[0]) {
            case "plain": plain(); break;
            case "overflow": overflow(); break;
            case "overflow-worker": overflowOfWorker(); break;
            case "forever": forever(); break;
            case "threads": threads(); break;
            case "allocation": allocation(); break;
            default: throw new IllegalArgumentException(words[0]);
        }
        rec.close();
        rec.close(); // a second time does no harm
    }

    private static void nested() {
        try (LooptimeRecorder.Lane drive = rec.time(outer)) {
            for (int i = 0; i < 3; i++) {
                rec.time(inner);
                try {
                    Thread.yield();
                } finally {
                    rec.end();
                }
            }
        }
    }

    private static void plain() throws Exception {
        rec.meta("robot", "tray-carrier");
        nested(); // before the first loop
        Thread reader = new Thread(() -> {
            try (LooptimeRecorder.Lane read = rec.time(outer)) {
                Thread.yield();
            }
            rec.published(outer);
        }, "reader");
        for (int k = 0; k < 5; k++) {
            rec.phase(k < 2 ? "standby" : "operator");
            rec.loop();
            nested();
            rec.signal(heading, k == 4 ? Double.NaN : k * -0.25);
            if (k == 3) {
                reader.start();
                reader.join();
                rec.used(outer);
            }
            try (LooptimeRecorder.Lane thrown = rec.time(inner)) {
                throw new IllegalStateException("a call that fails is timed as well");
            } catch (IllegalStateException expected) {
                rec.meta("note", "one line\nand no other");
            }
        }
        rec.end(); // one too many does no harm
    }

    /** Prints how many rows were made; loop 7 is longer than the ring. */
    private static void overflow() {
        long made = 0;
        for (int k = 0; k < 600; k++) {
            rec.loop();
            made += k > 0 ? 1 : 0;
            for (int i = 0; i < (k == 7 ? 40 : 2); i++) {
                nested();
                made += 4;
            }
            if (k % 50 == 0) {
                rec.flush(); // there is room again
            }
        }
        System.out.println(made);
    }

    /** The same in a thread that has no loops; call 7 has more calls in it than the ring. */
    private static void overflowOfWorker() throws Exception {
        Thread worker = new Thread(() -> {
            for (int k = 0; k < 600; k++) {
                if (k == 7) {
                    rec.time(outer);
                    for (int n = 0; n < 25; n++) {
                        nested();
                    }
                    rec.end();
                }
                nested();
                if (k % 50 == 0) {
                    rec.flush();
                }
            }
        }, "worker");
        worker.start();
        worker.join();
        System.out.println(600 * 4 + 101);
    }

    private static void forever() throws Exception {
        for (long k = 0; ; k++) {
            rec.loop();
            nested();
            System.out.println(k);
            Thread.sleep(2);
        }
    }

    private static void threads() throws Exception {
        Thread[] all = new Thread[8];
        for (int t = 0; t < all.length; t++) {
            boolean loops = t == 0;
            all[t] = new Thread(() -> {
                for (int k = 0; k < 1000; k++) {
                    if (loops) {
                        rec.loop();
                    }
                    nested();
                    if (k % 50 == 0) {
                        Thread.yield();
                    }
                }
                if (loops) {
                    rec.loop(); // ends the last loop
                }
            }, loops ? "loop" : "worker");
            all[t].start();
        }
        for (Thread thread : all) {
            thread.join();
        }
    }

    /** Prints what the loop's thread allocates in each of five stretches of 2,000 loops. */
    private static void allocation() throws Exception {
        ThreadMXBean bean = (ThreadMXBean) ManagementFactory.getThreadMXBean();
        long id = Thread.currentThread().getId();
        long[] bytes = new long[5];
        loops(2000);
        bean.getThreadAllocatedBytes(id);
        for (int n = 0; n < bytes.length; n++) {
            long before = bean.getThreadAllocatedBytes(id);
            loops(2000);
            bytes[n] = bean.getThreadAllocatedBytes(id) - before;
        }
        System.out.println(java.util.Arrays.toString(bytes));
    }

    private static void loops(int count) {
        for (int k = 0; k < count; k++) {
            rec.phase(k % 2 == 0 ? "standby" : "operator");
            rec.loop();
            nested();
            rec.signal(heading, k * 0.01);
            rec.published(outer);
            rec.used(outer);
        }
    }
}
