/** The robot's true turning: heading as a sum of swings A sin(2 pi t / P). */
final class Motion {
    static final double[] SWING_DEG = {45, 70};
    static final double[] PERIOD_S = {6.4, 23};

    private final double[] movingFromS;
    private final double[] movingToS;

    /** The robot stands still outside the stretches given, and its motion goes on where it was. */
    Motion(double[] movingFromS, double[] movingToS) {
        this.movingFromS = movingFromS;
        this.movingToS = movingToS;
    }

    private double movingTime(double t) {
        double sum = 0;
        for (int i = 0; i < movingFromS.length; i++) {
            sum += Math.max(0, Math.min(t, movingToS[i]) - movingFromS[i]);
        }
        return sum;
    }

    boolean moving(double t) {
        for (int i = 0; i < movingFromS.length; i++) {
            if (t >= movingFromS[i] && t < movingToS[i]) {
                return true;
            }
        }
        return false;
    }

    double headingDeg(double t) {
        double m = movingTime(t);
        double sum = 0;
        for (int i = 0; i < SWING_DEG.length; i++) {
            sum += SWING_DEG[i] * Math.sin(2 * Math.PI * m / PERIOD_S[i]);
        }
        return sum;
    }

    double turnRateDegS(double t) {
        if (!moving(t)) {
            return 0;
        }
        double m = movingTime(t);
        double sum = 0;
        for (int i = 0; i < SWING_DEG.length; i++) {
            double w = 2 * Math.PI / PERIOD_S[i];
            sum += SWING_DEG[i] * w * Math.cos(w * m);
        }
        return sum;
    }
}
