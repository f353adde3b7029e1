// SPDX-License-Identifier: GPL-2.0
/*
 * A GPIO chip without hardware whose one line gives pulses by a timer of the kernel, as quick as a fan's tach may be:
 * gpio-sim hands on one edge per tick. The plant writes to /dev/tach-bench how many pulses and how far apart they rise
 * (u64 count, spacing_ns; the first one a spacing from now) and reads how many rose since (u64).
 */
#include <linux/fs.h>
#include <linux/gpio/driver.h>
#include <linux/hrtimer.h>
#include <linux/irq.h>
#include <linux/irqdomain.h>
#include <linux/miscdevice.h>
#include <linux/module.h>
#include <linux/uaccess.h>

/* Closer pulses would leave the guest no time for anything else. */
#define LEAST_NS 10000

static struct irq_domain *domain;
static struct hrtimer timer;
static u64 asked, half_ns, risen;
static bool level;

static enum hrtimer_restart turn(struct hrtimer *t)
{
	unsigned int irq = irq_find_mapping(domain, 0);
	u32 wanted = level ? IRQ_TYPE_EDGE_FALLING : IRQ_TYPE_EDGE_RISING;

	WRITE_ONCE(level, !level);
	if (level)
		WRITE_ONCE(risen, risen + 1);
	if (irq && irq_get_trigger_type(irq) & wanted)
		generic_handle_irq(irq);
	if (!level && risen == asked)
		return HRTIMER_NORESTART;
	hrtimer_forward(t, hrtimer_get_expires(t), ns_to_ktime(half_ns));
	return HRTIMER_RESTART;
}

static void nothing(struct irq_data *data) { }

static int set_type(struct irq_data *data, unsigned int type)
{
	return type & ~IRQ_TYPE_EDGE_BOTH ? -EINVAL : 0;
}

static struct irq_chip bench_irq = {
	.name = "tach-bench", .irq_mask = nothing, .irq_unmask = nothing, .irq_set_type = set_type,
};

static int map(struct irq_domain *d, unsigned int irq, irq_hw_number_t line)
{
	irq_set_chip_and_handler(irq, &bench_irq, handle_simple_irq);
	return 0;
}

static const struct irq_domain_ops bench_domain = { .map = map };

static int get_direction(struct gpio_chip *chip, unsigned int line)
{
	return GPIO_LINE_DIRECTION_IN;
}

static int direction_input(struct gpio_chip *chip, unsigned int line)
{
	return 0;
}

static int get(struct gpio_chip *chip, unsigned int line)
{
	return READ_ONCE(level);
}

static int to_irq(struct gpio_chip *chip, unsigned int line)
{
	return irq_create_mapping(domain, line);
}

static const char *const names[] = { "fast-tach" };
static struct gpio_chip bench_chip = {
	.label = "tach-bench", .owner = THIS_MODULE, .base = -1, .ngpio = ARRAY_SIZE(names), .names = names,
	.get_direction = get_direction, .direction_input = direction_input, .get = get, .to_irq = to_irq,
};

static ssize_t pulses_write(struct file *file, const char __user *from, size_t size, loff_t *at)
{
	u64 fresh[2];

	if (size != sizeof(fresh))
		return -EINVAL;
	if (copy_from_user(fresh, from, size))
		return -EFAULT;
	if (fresh[1] < LEAST_NS || fresh[1] > NSEC_PER_SEC)
		return -EINVAL;
	hrtimer_cancel(&timer);
	asked = fresh[0];
	half_ns = fresh[1] / 2;
	risen = 0;
	level = false;
	if (asked)
		hrtimer_start(&timer, ns_to_ktime(fresh[1]), HRTIMER_MODE_REL);
	return size;
}

static ssize_t pulses_read(struct file *file, char __user *to, size_t size, loff_t *at)
{
	u64 count = READ_ONCE(risen);

	if (size != sizeof(count))
		return -EINVAL;
	return copy_to_user(to, &count, size) ? -EFAULT : size;
}

static const struct file_operations pulses_fops = { .owner = THIS_MODULE, .read = pulses_read, .write = pulses_write };
static struct miscdevice pulses_device = {
	.minor = MISC_DYNAMIC_MINOR, .name = "tach-bench", .mode = 0666, .fops = &pulses_fops,
};

static int __init bench_init(void)
{
	int ret;

	hrtimer_init(&timer, CLOCK_MONOTONIC, HRTIMER_MODE_REL);
	timer.function = turn;
	domain = irq_domain_add_linear(NULL, ARRAY_SIZE(names), &bench_domain, NULL);
	if (!domain)
		return -ENOMEM;
	ret = gpiochip_add_data(&bench_chip, NULL);
	if (ret)
		goto no_chip;
	ret = misc_register(&pulses_device);
	if (!ret)
		return 0;
	gpiochip_remove(&bench_chip);
no_chip:
	irq_domain_remove(domain);
	return ret;
}

static void __exit bench_exit(void)
{
	misc_deregister(&pulses_device);
	hrtimer_cancel(&timer);
	gpiochip_remove(&bench_chip);
	irq_dispose_mapping(irq_find_mapping(domain, 0));
	irq_domain_remove(domain);
}

module_init(bench_init);
module_exit(bench_exit);
MODULE_DESCRIPTION("GPIO line with quick pulses without hardware, for tests");
MODULE_LICENSE("GPL");
