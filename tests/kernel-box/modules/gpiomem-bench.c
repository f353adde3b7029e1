// SPDX-License-Identifier: GPL-2.0
/*
 * The GPIO register block of a board without the board, as a library maps it that drives pins through registers: that of
 * older boards as /dev/gpiomem, with rp1=1 that of the I/O controller of newer ones as /dev/gpiomem0. Stores act within
 * TAKEN_NS, as they do at once on the board: the pages are read-only until they are stored to, and become so again once
 * what was stored has been taken. Of several pages one is there at a time, so that what was stored in one is taken before
 * another is looked at.
 *
 * The plant on the other side reads the levels of all pins from the file (u64) and writes the levels that it drives
 * the inputs to (u64). A pin has the level of its latch where its mode is output, else what the plant drives.
 */
#include <linux/fs.h>
#include <linux/hrtimer.h>
#include <linux/miscdevice.h>
#include <linux/mm.h>
#include <linux/module.h>
#include <linux/mutex.h>
#include <linux/uaccess.h>
#include <linux/workqueue.h>

#define TAKEN_NS 10000

/* Places of the words in the block of older boards. */
#define PINS 54
#define MODE(pin) ((pin) / 10)
#define SET(half) ((0x1c >> 2) + (half))
#define CLEAR(half) ((0x28 >> 2) + (half))
#define LEVEL(half) ((0x34 >> 2) + (half))

/*
 * The same of newer ones (RP1 peripherals, chapters 2.4 and 3.1): functions, levels and pads of the first bank. Each
 * bank's words stand four times, a page apart: as they are, and to flip, set and clear bits of them.
 */
#define RP1_SIZE 0x30000
#define RP1_PINS 28
#define RP1_PAGE (0x1000 >> 2)
#define RP1_CONTROL(pin) ((0x4 + 8 * (pin)) >> 2)
#define RP1_OUT (0x10000 >> 2)
#define RP1_ENABLE (0x10004 >> 2)
#define RP1_IN (0x10008 >> 2)
#define RP1_PAD(pin) ((0x20004 + 4 * (pin)) >> 2)
#define RP1_FUNCTION 0x1f
#define RP1_FUNCTION_GPIO 5
#define RP1_PAD_INPUT 0x40
#define RP1_PAD_NO_OUTPUT 0x80
#define RP1_PAD_RESET 0x96

static bool rp1;
module_param(rp1, bool, 0444);

static u32 *block;
static size_t block_size = PAGE_SIZE;
static u64 latch, driven;
static DEFINE_MUTEX(lock);
static struct hrtimer timer;
static struct address_space *mapping;

static u64 both(const u32 *words)
{
	return READ_ONCE(words[0]) | (u64)READ_ONCE(words[1]) << 32;
}

/* Takes what was stored and brings the level words up to date. */
static u64 take_words(void)
{
	u64 outputs = 0, levels;
	int pin;

	for (pin = 0; pin < PINS; pin++)
		if ((READ_ONCE(block[MODE(pin)]) >> pin % 10 * 3 & 7) == 1)
			outputs |= 1ULL << pin;
	latch = (latch | both(block + SET(0))) & ~both(block + CLEAR(0));
	block[SET(0)] = block[SET(1)] = block[CLEAR(0)] = block[CLEAR(1)] = 0;
	levels = (latch & outputs) | (driven & ~outputs);
	WRITE_ONCE(block[LEVEL(0)], levels);
	WRITE_ONCE(block[LEVEL(1)], levels >> 32);
	return levels;
}

static u64 take_rp1(void)
{
	static const u32 banks[] = { 0x00000 >> 2, RP1_OUT, 0x20000 >> 2 };
	u32 outputs = 0, inputs = 0, levels;
	int bank, i, pin;

	for (bank = 0; bank < ARRAY_SIZE(banks); bank++)
		for (i = 0; i < RP1_PAGE; i++) {
			u32 *word = block + banks[bank] + i;

			word[0] = ((word[0] ^ word[RP1_PAGE]) | word[2 * RP1_PAGE]) & ~word[3 * RP1_PAGE];
			word[RP1_PAGE] = word[2 * RP1_PAGE] = word[3 * RP1_PAGE] = 0;
		}
	for (pin = 0; pin < RP1_PINS; pin++) {
		u32 pad = block[RP1_PAD(pin)];

		if ((block[RP1_CONTROL(pin)] & RP1_FUNCTION) == RP1_FUNCTION_GPIO && !(pad & RP1_PAD_NO_OUTPUT))
			outputs |= 1U << pin;
		if (pad & RP1_PAD_INPUT)
			inputs |= 1U << pin;
	}
	outputs &= block[RP1_ENABLE];
	levels = (block[RP1_OUT] & outputs) | ((u32)driven & ~outputs);
	WRITE_ONCE(block[RP1_IN], levels & inputs);
	return levels;
}

static u64 take(void)
{
	return rp1 ? take_rp1() : take_words();
}

/* Before the words are looked at: a store from now on faults, and is taken the next time. */
static void take_all(void)
{
	mutex_lock(&lock);
	if (mapping)
		unmap_mapping_range(mapping, 0, block_size, 1);
	take();
	mutex_unlock(&lock);
}

static void taken(struct work_struct *work)
{
	take_all();
}

static DECLARE_WORK(taking, taken);

static enum hrtimer_restart due(struct hrtimer *t)
{
	schedule_work(&taking);
	return HRTIMER_NORESTART;
}

static vm_fault_t block_fault(struct vm_fault *fault)
{
	if (fault->pgoff >= block_size >> PAGE_SHIFT)
		return VM_FAULT_SIGBUS;
	take_all();
	return vmf_insert_pfn(fault->vma, fault->address, page_to_pfn(virt_to_page(block)) + fault->pgoff);
}

static vm_fault_t block_stored(struct vm_fault *fault)
{
	hrtimer_start(&timer, ns_to_ktime(TAKEN_NS), HRTIMER_MODE_REL);
	return 0;
}

static const struct vm_operations_struct block_vm = { .fault = block_fault, .pfn_mkwrite = block_stored };

static int block_mmap(struct file *file, struct vm_area_struct *vma)
{
	if (vma->vm_pgoff || vma_pages(vma) != block_size >> PAGE_SHIFT)
		return -EINVAL;
	vm_flags_set(vma, VM_PFNMAP | VM_IO | VM_DONTEXPAND);
	vma->vm_ops = &block_vm;
	mutex_lock(&lock);
	mapping = file->f_mapping;
	mutex_unlock(&lock);
	return 0;
}

static ssize_t block_read(struct file *file, char __user *to, size_t size, loff_t *at)
{
	u64 levels;

	if (size != sizeof(levels))
		return -EINVAL;
	mutex_lock(&lock);
	levels = take();
	mutex_unlock(&lock);
	return copy_to_user(to, &levels, size) ? -EFAULT : size;
}

static ssize_t block_write(struct file *file, const char __user *from, size_t size, loff_t *at)
{
	u64 levels;

	if (size != sizeof(levels))
		return -EINVAL;
	if (copy_from_user(&levels, from, size))
		return -EFAULT;
	mutex_lock(&lock);
	driven = levels;
	take();
	mutex_unlock(&lock);
	return size;
}

static const struct file_operations block_fops = {
	.owner = THIS_MODULE, .mmap = block_mmap, .read = block_read, .write = block_write,
};
static struct miscdevice block_device = {
	.minor = MISC_DYNAMIC_MINOR, .name = "gpiomem", .mode = 0660, .fops = &block_fops,
};

static int __init bench_init(void)
{
	int ret, pin;

	if (rp1) {
		block_size = RP1_SIZE;
		block_device.name = "gpiomem0";
	}
	block = alloc_pages_exact(block_size, GFP_KERNEL | __GFP_ZERO);
	if (!block)
		return -ENOMEM;
	/* Pins come up without a function, their outputs off. */
	for (pin = 0; rp1 && pin < RP1_PINS; pin++) {
		block[RP1_CONTROL(pin)] = RP1_FUNCTION;
		block[RP1_PAD(pin)] = RP1_PAD_RESET;
	}
	hrtimer_init(&timer, CLOCK_MONOTONIC, HRTIMER_MODE_REL);
	timer.function = due;
	ret = misc_register(&block_device);
	if (ret)
		free_pages_exact(block, block_size);
	return ret;
}

static void __exit bench_exit(void)
{
	misc_deregister(&block_device);
	hrtimer_cancel(&timer);
	cancel_work_sync(&taking);
	free_pages_exact(block, block_size);
}

module_init(bench_init);
module_exit(bench_exit);
MODULE_DESCRIPTION("GPIO register block without hardware, for tests");
MODULE_LICENSE("GPL");
