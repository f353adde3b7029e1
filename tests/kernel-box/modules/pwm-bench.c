// SPDX-License-Identifier: GPL-2.0
/*
 * A PWM chip without hardware: it accepts any state and remembers it. The PWM core shows the state in debugfs
 * (/sys/kernel/debug/pwm), which is where the plant on the other side of the bench reads it.
 */
#include <linux/module.h>
#include <linux/platform_device.h>
#include <linux/pwm.h>

#define CHANNELS 4

static int bench_apply(struct pwm_chip *chip, struct pwm_device *pwm, const struct pwm_state *state)
{
	return 0;
}

static const struct pwm_ops bench_ops = { .apply = bench_apply };

static int bench_probe(struct platform_device *pdev)
{
	struct pwm_chip *chip = devm_pwmchip_alloc(&pdev->dev, CHANNELS, 0);

	if (IS_ERR(chip))
		return PTR_ERR(chip);
	chip->ops = &bench_ops;
	return devm_pwmchip_add(&pdev->dev, chip);
}

static struct platform_driver bench_driver = {
	.probe = bench_probe,
	.driver = { .name = "pwm-bench" },
};
static struct platform_device *bench_device;

static int __init bench_init(void)
{
	int ret = platform_driver_register(&bench_driver);

	if (ret)
		return ret;
	bench_device = platform_device_register_simple("pwm-bench", PLATFORM_DEVID_NONE, NULL, 0);
	if (IS_ERR(bench_device)) {
		platform_driver_unregister(&bench_driver);
		return PTR_ERR(bench_device);
	}
	return 0;
}

static void __exit bench_exit(void)
{
	platform_device_unregister(bench_device);
	platform_driver_unregister(&bench_driver);
}

module_init(bench_init);
module_exit(bench_exit);
MODULE_DESCRIPTION("PWM chip without hardware, for tests");
MODULE_LICENSE("GPL");
