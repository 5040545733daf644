/**
 * A clock that moves on, for a thread, only where that thread waits. The rig and its recorder then
 * read the same instants, however busy the machine is with something else in between.
 */
final class Latched {
    private static final ThreadLocal<long[]> AT =
        ThreadLocal.withInitial(() -> new long[] {System.nanoTime()});

    private Latched() {
    }

    static long nanoTime() {
        return AT.get()[0];
    }

    static long now() {
        return AT.get()[0] = System.nanoTime();
    }
}
