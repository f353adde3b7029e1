// SPDX-License-Identifier: GPL-2.0
/*
 * An SPI controller without hardware, with two converters of eight inputs behind it: 12 bits on chip select 0, 10 bits
 * on chip select 1. Each bit in gives a bit out, as the data sheets of such parts have it: a start bit, single-ended or
 * not, three bits of input, a clock to sample, a null bit, then the code from its highest bit.
 *
 * The plant writes the codes to /dev/spi-bench: u16 codes[2][8], native byte order.
 */
#include <linux/fs.h>
#include <linux/miscdevice.h>
#include <linux/module.h>
#include <linux/of.h>
#include <linux/platform_device.h>
#include <linux/spi/spi.h>
#include <linux/uaccess.h>

#define PARTS 2
#define INPUTS 8
#define SINGLE 8

/* Clocks after that of the start bit. */
enum { MODE_LAST = 4, SAMPLE = 5, CODE_FIRST = 7 };

static u16 codes[PARTS][INPUTS];

/* What passes while a chip is selected. */
struct talk {
	int part;
	int clock;	/* -1 before the start bit */
	unsigned int mode;
	u16 code;
};

static u16 sampled(const struct talk *talk)
{
	const u16 *all = codes[talk->part];
	unsigned int input = talk->mode % INPUTS;
	int code = READ_ONCE(all[input]);

	if (!(talk->mode & SINGLE))
		code -= READ_ONCE(all[input ^ 1]);
	return code < 0 ? 0 : code;
}

static bool clocked(struct talk *talk, bool in)
{
	int left = (talk->part ? 10 : 12) - 1;

	if (talk->clock < 0 && !in)
		return false;
	talk->clock++;
	if (talk->clock >= 1 && talk->clock <= MODE_LAST)
		talk->mode = talk->mode << 1 | in;
	else if (talk->clock == SAMPLE)
		talk->code = sampled(talk);
	left -= talk->clock - CODE_FIRST;
	return talk->clock >= CODE_FIRST && left >= 0 && talk->code >> left & 1;
}

static int bench_message(struct spi_controller *controller, struct spi_message *message)
{
	int part = spi_get_chipselect(message->spi, 0);
	struct talk talk = { .part = part, .clock = -1 };
	struct spi_transfer *transfer;

	list_for_each_entry(transfer, &message->transfers, transfer_list) {
		const u8 *in = transfer->tx_buf;
		u8 *out = transfer->rx_buf;
		unsigned int bit;

		if (out)
			memset(out, 0, transfer->len);
		for (bit = 0; bit < 8 * transfer->len; bit++) {
			u8 mask = 0x80 >> bit % 8;

			if (clocked(&talk, in && in[bit / 8] & mask) && out)
				out[bit / 8] |= mask;
		}
		message->actual_length += transfer->len;
		spi_transfer_delay_exec(transfer);
		if (transfer->cs_change)
			talk = (struct talk){ .part = part, .clock = -1 };
	}
	message->status = 0;
	spi_finalize_current_message(controller);
	return 0;
}

static int bench_probe(struct platform_device *pdev)
{
	struct spi_controller *controller = devm_spi_alloc_host(&pdev->dev, 0);

	if (!controller)
		return -ENOMEM;
	controller->bus_num = 0;
	controller->num_chipselect = PARTS;
	controller->mode_bits = SPI_MODE_X_MASK;
	controller->bits_per_word_mask = SPI_BPW_MASK(8);
	controller->transfer_one_message = bench_message;
	controller->dev.of_node = pdev->dev.of_node;
	return devm_spi_register_controller(&pdev->dev, controller);
}

static const struct of_device_id bench_ids[] = { { .compatible = "galebench,spi-bench" }, { } };
MODULE_DEVICE_TABLE(of, bench_ids);

static struct platform_driver bench_driver = {
	.probe = bench_probe,
	.driver = { .name = "spi-bench", .of_match_table = bench_ids },
};

static ssize_t codes_write(struct file *file, const char __user *from, size_t size, loff_t *at)
{
	u16 fresh[PARTS][INPUTS];
	int i;

	if (size != sizeof(fresh))
		return -EINVAL;
	if (copy_from_user(fresh, from, size))
		return -EFAULT;
	for (i = 0; i < PARTS * INPUTS; i++)
		WRITE_ONCE(codes[i / INPUTS][i % INPUTS], fresh[i / INPUTS][i % INPUTS]);
	return size;
}

static const struct file_operations codes_fops = { .owner = THIS_MODULE, .write = codes_write };
static struct miscdevice codes_device = {
	.minor = MISC_DYNAMIC_MINOR, .name = "spi-bench", .mode = 0666, .fops = &codes_fops,
};

static int __init bench_init(void)
{
	int ret = misc_register(&codes_device);

	if (ret)
		return ret;
	ret = platform_driver_register(&bench_driver);
	if (ret)
		misc_deregister(&codes_device);
	return ret;
}

static void __exit bench_exit(void)
{
	platform_driver_unregister(&bench_driver);
	misc_deregister(&codes_device);
}

module_init(bench_init);
module_exit(bench_exit);
MODULE_DESCRIPTION("SPI analogue-to-digital converters without hardware, for tests");
MODULE_LICENSE("GPL");
