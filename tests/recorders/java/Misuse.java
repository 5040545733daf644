import java.io.File;
import java.util.ArrayList;
import java.util.List;
import java.util.Random;
import java.util.concurrent.CountDownLatch;
import java.util.concurrent.atomic.AtomicInteger;

/** What a robot's program may do wrong: MODE FOLDER [ROUNDS SEED]; prints what the log must say. */
public final class Misuse {
    private static final double[] VALUES = {
        0, -1.5, 1e300, -1e-300, Double.NaN, Double.POSITIVE_INFINITY, Double.MAX_VALUE
    };
    private static File folder;
    private static LooptimeRecorder rec;

    public static void main(String[] words) throws Exception {
        folder = new File(words[1]);
        switch (words[0]) {
            case "numbers": numbers(); break;
            case "names": names(); break;
            case "places": places(); break;
            case "ends": ends(); break;
            case "next_thread": nextThread(); break;
            case "churn": churn(); break;
            case "crowd": crowd(); break;
            case "clock": clock(); break;
            case "killed": killed(); break;
            case "storm": new Storm(Integer.parseInt(words[2]), Integer.parseInt(words[3])).run(); break;
            default: throw new IllegalArgumentException(words[0]);
        }
    }

    private static void counted(int made, int ignored) {
        System.out.println("made " + made + "\nignored " + ignored);
    }

    private static void allMarks(LooptimeRecorder to, int call) {
        to.time(call).close();
        to.signal(call, 1);
        to.published(call);
        to.used(call);
    }

    private static int[] strangers(LooptimeRecorder other) {
        return new int[] {
            0, 1, -1, 2, 4095, 70000, Integer.MIN_VALUE, Integer.MAX_VALUE,
            other.call("of another"), other.call("loop")
        };
    }

    private static void numbers() {
        rec = LooptimeRecorder.start(folder, "log");
        LooptimeRecorder other = LooptimeRecorder.start(folder, "other");
        int good = rec.call("good");
        rec.loop();
        for (int strange : strangers(other)) {
            allMarks(rec, strange);
            rec.time(strange);
            rec.time(good).close();
            rec.end();
        }
        rec.loop();
        rec.close();
        counted(11, 50);
    }

    private static void names() throws Exception {
        rec = LooptimeRecorder.start(folder, "log", 1 << 15, 3);
        rec.loop();
        StringBuilder longest = new StringBuilder();
        for (int n = 0; n < 1000; n++) {
            longest.append('x');
        }
        String[] odd = {
            "", null, "a,b", "a\"b", "line\nbreak", "line\r\nbreak", "tab\tbell\7", "caf\u00e9",
            "next\u0085line", "line\u2028separator", longest.toString(), "nul\0cut", "half \ud800", "#1"
        };
        for (String name : odd) {
            rec.time(rec.call(name)).close();
        }
        rec.phase("automatic\nnow");
        for (int n = 0; n < 17000; n++) {
            rec.time(rec.call("made up " + n)).close();
        }
        rec.phase(null);
        rec.meta("note\n", "one\nline\0only\n");
        rec.meta(null, null);
        for (String name : new String[] {"line\nbreak", "line break", "line\rbreak", "\n", ""}) {
            Thread thread = new Thread(() -> rec.time(rec.call("a,b")).close(), name);
            thread.start();
            thread.join();
        }
        rec.loop();
        rec.loop();
        rec.close();
        counted(odd.length + 17000 + 5 + 2, 0);
    }

    private static void places() {
        StringBuilder longest = new StringBuilder();
        for (int n = 0; n < 5000; n++) {
            longest.append('\u20ac');
        }
        String[] odd = {
            "../out", "/tmp/out", "..", "", null, "a/b\\c:d", "line\nbreak", "\ud800", "%s%n",
            longest.toString()
        };
        for (String name : odd) {
            rec = LooptimeRecorder.start(folder, name);
            rec.close();
            System.out.println(rec.file());
        }
    }

    /** Ends without a begin, too deep, from a second thread, and marks after the end. */
    private static void ends() throws Exception {
        rec = LooptimeRecorder.start(folder, "log");
        int call = rec.call("call");
        rec.loop();
        rec.end();
        rec.end();
        for (int n = 0; n < 70; n++) {
            rec.time(call);
        }
        for (int n = 0; n < 70; n++) {
            rec.end();
        }
        Thread second = new Thread(() -> {
            rec.loop();
            rec.end();
        });
        second.start();
        second.join();
        rec.loop();
        List<Thread> closing = new ArrayList<>();
        rec.flush();
        for (int n = 0; n < 8; n++) {
            closing.add(new Thread(rec::close));
            closing.get(n).start();
        }
        for (Thread thread : closing) {
            thread.join();
        }
        allMarks(rec, call);
        rec.loop();
        rec.meta("too", "late");
        rec.flush();
        counted(65, 2 + 6 + 2);
    }

    private static void nextThread() throws Exception {
        rec = LooptimeRecorder.start(folder, "log");
        for (int n = 0; n < 2; n++) {
            Thread thread = new Thread(() -> {
                for (int k = 0; k < 4; k++) {
                    rec.loop();
                }
            });
            thread.start();
            thread.join();
            rec.flush();
        }
        rec.close();
        counted(7, 0);
    }

    /** Threads and recorders that come and go: what is over takes no memory. */
    private static void churn() throws Exception {
        rec = LooptimeRecorder.start(new File("/dev/null/logs"), "log");
        int call = rec.call("call");
        for (int n = 0; n < 500; n++) {
            Thread thread = new Thread(() -> allMarks(rec, call), "worker");
            thread.start();
            thread.join();
        }
        for (int n = 0; n < 100; n++) {
            LooptimeRecorder shortLived = LooptimeRecorder.start(folder, "log");
            shortLived.loop();
            shortLived.close();
        }
        System.out.println("ran on");
    }

    /** Threads that are all there at once, with names of every kind. */
    private static void crowd() throws Exception {
        rec = LooptimeRecorder.start(folder, "log", 1 << 14, 3);
        int call = rec.call("call");
        rec.loop();
        String[] odd = {"worker", "line\nbreak", "nul\0", "half \ud800", "#1,\"", "", "\u2028"};
        CountDownLatch marked = new CountDownLatch(400), over = new CountDownLatch(1);
        List<Thread> threads = new ArrayList<>();
        for (int n = 0; n < 400; n++) {
            threads.add(new Thread(null, () -> {
                allMarks(rec, call);
                marked.countDown();
                try {
                    over.await();
                } catch (InterruptedException e) {
                    throw new IllegalStateException(e);
                }
            }, odd[n % odd.length], 1 << 16));
            threads.get(n).start();
        }
        marked.await();
        over.countDown();
        for (Thread thread : threads) {
            thread.join();
        }
        rec.loop();
        rec.close();
        counted(4 * 400 + 1, 0);
    }

    /** The writer wakes once, after loop 9; the program is gone, without an end, after loop 19. */
    private static void killed() throws Exception {
        Planted.gated = true;
        rec = LooptimeRecorder.start(folder, "log");
        int call = rec.call("call");
        for (int n = 0; n < 20; n++) {
            rec.loop();
            rec.time(call).close();
            if (n == 10) {
                Planted.letWrite();
            }
        }
        System.out.println(Planted.asked);
        Runtime.getRuntime().halt(0);
    }

    /** Steps of the planted clock, between marks and within calls. */
    private static void clock() {
        rec = LooptimeRecorder.start(folder, "log");
        int outer = rec.call("outer"), inner = rec.call("inner");
        long[] steps = {0, -1, -3000000L, 5000000000L, -3600000000000L, 7200000000000L};
        for (int n = 0; n < 600; n++) {
            rec.loop();
            rec.time(outer);
            if (n % 7 == 3) {
                Planted.ahead += steps[n % 6];
            }
            rec.time(inner).close();
            rec.signal(inner, n);
            rec.end();
        }
        rec.loop();
        rec.close();
        counted(2400, 0);
    }

    /** Everything at once from several threads, by chance. */
    private static final class Storm {
        private final int rounds, seed;
        private final LooptimeRecorder other = LooptimeRecorder.start(folder, "other", 256, 3);
        private final int[] strange = strangers(other);
        private final int[] good;
        private final AtomicInteger made = new AtomicInteger(), ignored = new AtomicInteger();

        Storm(int rounds, int seed) {
            this.rounds = rounds;
            this.seed = seed;
            rec = LooptimeRecorder.start(folder, "log", 256, 3);
            good = new int[] {rec.call("gyro.read"), rec.call("a,b"), rec.call("line\nbreak")};
        }

        void run() throws Exception {
            rec.loop();
            List<Thread> threads = new ArrayList<>();
            for (int t = 0; t < 4; t++) {
                int number = t + 1;
                threads.add(new Thread(() -> play(number), "worker\n" + t));
                threads.get(t).start();
            }
            play(0);
            for (Thread thread : threads) {
                thread.join();
            }
            rec.close();
            counted(made.get(), ignored.get());
        }

        private void play(int number) {
            Random chance = new Random(8L * seed + number);
            for (int n = 0; n < rounds; n++) {
                one(chance, number == 0, 0);
            }
        }

        private void one(Random chance, boolean loops, int depth) {
            int what = chance.nextInt(9);
            boolean wrong = chance.nextInt(5) == 0;
            int call = wrong ? strange[chance.nextInt(10)] : good[chance.nextInt(3)];
            if (what < 5) {
                (wrong ? ignored : made).incrementAndGet();
            }
            switch (what) {
                case 0: rec.signal(call, VALUES[chance.nextInt(VALUES.length)]); break;
                case 1: rec.published(call); break;
                case 2: rec.used(call); break;
                case 3:
                case 4:
                    try (LooptimeRecorder.Lane timed = rec.time(call)) {
                        if (depth < 20) {
                            one(chance, loops, depth + 1);
                        }
                    }
                    break;
                case 5:
                    (loops ? made : ignored).incrementAndGet();
                    rec.loop();
                    break;
                case 6: rec.phase(chance.nextBoolean() ? null : "automatic\nnow"); break;
                case 7:
                    if (depth == 0) {
                        ignored.incrementAndGet();
                        rec.end();
                    }
                    break;
                default:
                    if (chance.nextInt(64) == 0) {
                        rec.meta("note", "from\nwherever");
                        rec.flush();
                        allMarks(other, good[0]); // of the first, ignored there
                    }
            }
        }
    }
}
