// SPDX-License-Identifier: GPL-2.0
/*
 * A 16-bit, eight-channel converter without hardware, with single readings and buffered capture on a trigger. The first
 * six channels are voltages, the last two temperatures. The plant writes the codes to /dev/iio-bench: s16 codes[8],
 * native byte order.
 */
#include <linux/fs.h>
#include <linux/iio/buffer.h>
#include <linux/iio/iio.h>
#include <linux/iio/trigger_consumer.h>
#include <linux/iio/triggered_buffer.h>
#include <linux/miscdevice.h>
#include <linux/module.h>
#include <linux/platform_device.h>
#include <linux/uaccess.h>

#define CHANNELS 8

static s16 codes[CHANNELS];

#define CHANNEL(_type, _channel, _index) {					\
	.type = _type, .indexed = 1, .channel = _channel, .scan_index = _index,	\
	.info_mask_separate = BIT(IIO_CHAN_INFO_RAW),				\
	.info_mask_shared_by_type = BIT(IIO_CHAN_INFO_SCALE),			\
	.scan_type = { .sign = 's', .realbits = 16, .storagebits = 16, .endianness = IIO_CPU },	\
}

static const struct iio_chan_spec bench_channels[] = {
	CHANNEL(IIO_VOLTAGE, 0, 0),
	CHANNEL(IIO_VOLTAGE, 1, 1),
	CHANNEL(IIO_VOLTAGE, 2, 2),
	CHANNEL(IIO_VOLTAGE, 3, 3),
	CHANNEL(IIO_VOLTAGE, 4, 4),
	CHANNEL(IIO_VOLTAGE, 5, 5),
	CHANNEL(IIO_TEMP, 0, 6),
	CHANNEL(IIO_TEMP, 1, 7),
	IIO_CHAN_SOFT_TIMESTAMP(8),
};

static int bench_read_raw(struct iio_dev *dev, struct iio_chan_spec const *channel, int *value, int *part, long mask)
{
	switch (mask) {
	case IIO_CHAN_INFO_RAW:
		*value = READ_ONCE(codes[channel->scan_index]);
		return IIO_VAL_INT;
	case IIO_CHAN_INFO_SCALE:
		/* 0.1 mV and 10 m°C a count. */
		*value = channel->type == IIO_TEMP ? 10 : 0;
		*part = channel->type == IIO_TEMP ? 0 : 100000;
		return IIO_VAL_INT_PLUS_MICRO;
	}
	return -EINVAL;
}

static const struct iio_info bench_info = { .read_raw = bench_read_raw };

static irqreturn_t bench_scan(int irq, void *p)
{
	struct iio_poll_func *pf = p;
	struct iio_dev *dev = pf->indio_dev;
	struct {
		s16 codes[CHANNELS];
		s64 stamp __aligned(8);
	} scan = { };
	int n = 0, i;

	iio_for_each_active_channel(dev, i)
		if (i < CHANNELS)
			scan.codes[n++] = READ_ONCE(codes[i]);
	iio_push_to_buffers_with_timestamp(dev, &scan, pf->timestamp);
	iio_trigger_notify_done(dev->trig);
	return IRQ_HANDLED;
}

static int bench_probe(struct platform_device *pdev)
{
	struct iio_dev *dev = devm_iio_device_alloc(&pdev->dev, 0);
	int ret;

	if (!dev)
		return -ENOMEM;
	dev->name = "iio-bench";
	dev->info = &bench_info;
	dev->modes = INDIO_DIRECT_MODE;
	dev->channels = bench_channels;
	dev->num_channels = ARRAY_SIZE(bench_channels);
	ret = devm_iio_triggered_buffer_setup(&pdev->dev, dev, iio_pollfunc_store_time, bench_scan, NULL);
	if (ret)
		return ret;
	return devm_iio_device_register(&pdev->dev, dev);
}

static struct platform_driver bench_driver = {
	.probe = bench_probe,
	.driver = { .name = "iio-bench" },
};
static struct platform_device *bench_device;

static ssize_t codes_write(struct file *file, const char __user *from, size_t size, loff_t *at)
{
	s16 fresh[CHANNELS];
	int i;

	if (size != sizeof(fresh))
		return -EINVAL;
	if (copy_from_user(fresh, from, size))
		return -EFAULT;
	for (i = 0; i < CHANNELS; i++)
		WRITE_ONCE(codes[i], fresh[i]);
	return size;
}

static const struct file_operations codes_fops = { .owner = THIS_MODULE, .write = codes_write };
static struct miscdevice codes_device = {
	.minor = MISC_DYNAMIC_MINOR, .name = "iio-bench", .mode = 0666, .fops = &codes_fops,
};

static int __init bench_init(void)
{
	int ret = misc_register(&codes_device);

	if (ret)
		return ret;
	ret = platform_driver_register(&bench_driver);
	if (ret)
		goto deregister;
	bench_device = platform_device_register_simple("iio-bench", PLATFORM_DEVID_NONE, NULL, 0);
	if (!IS_ERR(bench_device))
		return 0;
	ret = PTR_ERR(bench_device);
	platform_driver_unregister(&bench_driver);
deregister:
	misc_deregister(&codes_device);
	return ret;
}

static void __exit bench_exit(void)
{
	platform_device_unregister(bench_device);
	platform_driver_unregister(&bench_driver);
	misc_deregister(&codes_device);
}

module_init(bench_init);
module_exit(bench_exit);
MODULE_DESCRIPTION("Analogue-to-digital converter without hardware, for tests");
MODULE_LICENSE("GPL");
